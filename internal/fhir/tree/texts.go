package tree

import "strings"

const (
	roomSize    = 16 << 10 // bytes of text that are allocated at once
	mostRoom    = 4 * roomSize
	namePairs   = 512 // a power of two
	longestName = 64  // bytes of a name that is worth keeping
)

// texts makes strings of one document after another: names are mostly the same, so that
// those met last are kept, and values share a large piece of memory.
type texts struct {
	names [namePairs][2]string // of those with one hash the last two, the last one first
	room  strings.Builder
}

func (t *texts) name(b []byte) string {
	if len(b) == 0 || len(b) > longestName {
		return t.copy(b)
	}
	pair := &t.names[hash(b)%namePairs]
	if pair[0] == string(b) {
		return pair[0]
	}
	if pair[1] != string(b) {
		pair[1] = string(b)
	}
	pair[0], pair[1] = pair[1], pair[0]
	return pair[0]
}

// hash mixes the length and three letters, which tell nearly all names of R4 apart.
func hash(b []byte) uint32 {
	n := len(b)
	return (uint32(n) | uint32(b[0])<<8 | uint32(b[n/2])<<16 | uint32(b[n-1])<<24) * 0x9e3779b1 >> 16
}

func (t *texts) copy(b []byte) string {
	room := t.grow(len(b))
	from := room.Len()
	room.Write(b)
	return room.String()[from:]
}

// grow gives room for n bytes more. A Builder never changes what it has given out, so
// that strings stay good when a new piece is begun.
func (t *texts) grow(n int) *strings.Builder {
	if t.room.Cap()-t.room.Len() < n {
		t.room.Reset()
		t.room.Grow(max(n, roomSize))
	}
	return &t.room
}
