package validate

// nameTable finds members by their JSON name. Names of one object are few and short, so
// that length and three letters tell nearly all of them apart.
type nameTable struct {
	slots []*member // a power of two of them, half of them free at least
}

func newNameTable(members []*member) nameTable {
	size := 4
	for size < 2*len(members) {
		size *= 2
	}
	t := nameTable{slots: make([]*member, size)}
	for _, m := range members {
		i := t.start(m.def.Name)
		for t.slots[i] != nil {
			i = (i + 1) % len(t.slots)
		}
		t.slots[i] = m
	}
	return t
}

// get gives the member of this name, nil when there is none.
func (t nameTable) get(name string) *member {
	if name == "" {
		return nil
	}
	for i := t.start(name); ; i = (i + 1) & (len(t.slots) - 1) {
		m := t.slots[i]
		if m == nil || m.def.Name == name {
			return m
		}
	}
}

func (t nameTable) start(name string) int {
	n := len(name)
	h := 31*n + 7*int(name[0]) + 13*int(name[n/2]) + int(name[n-1])
	return (h ^ h>>5) & (len(t.slots) - 1)
}
