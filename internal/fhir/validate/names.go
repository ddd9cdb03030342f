package validate

// nameTable finds members by their JSON name. Names of one object are few and short, so
// that length and three letters tell nearly all of them apart.
type nameTable struct {
	slots []slot // a power of two of them, half of them free at least
}

type slot struct {
	name   string
	member *member // nil where the slot is free
}

func newNameTable(members []*member) nameTable {
	size := 4
	for size < 2*len(members) {
		size *= 2
	}
	t := nameTable{slots: make([]slot, size)}
	for _, m := range members {
		i := t.start(m.def.Name)
		for t.slots[i].member != nil {
			i = (i + 1) % len(t.slots)
		}
		t.slots[i] = slot{m.def.Name, m}
	}
	return t
}

// get gives the member of this name, nil when there is none.
func (t nameTable) get(name string) *member {
	if name == "" {
		return nil
	}
	for i := t.start(name); ; i = (i + 1) & (len(t.slots) - 1) {
		if s := &t.slots[i]; s.member == nil || s.name == name {
			return s.member
		}
	}
}

func (t nameTable) start(name string) int {
	n := len(name)
	h := 31*n + 7*int(name[0]) + 13*int(name[n/2]) + int(name[n-1])
	return (h ^ h>>5) & (len(t.slots) - 1)
}
