package scale

import (
	"math"
	"strconv"
	"strings"
	"time"

	"github.com/google/uuid"

	"fhirsvc/internal/store/postgres"
)

// patch is a place in a text that differs from copy to copy.
type patch struct {
	at   int
	what byte // 'u' a UUID, 'n' the number, 'd' a date, 'w' the unit
	id   uuid.UUID
	day  time.Time
}

// value is one column of one row, ready to be copied.
type value struct {
	fixed   any    // what is the same in every copy
	text    string // with patches
	patches []patch
	bytes   bool      // it is a body
	instant time.Time // shifted, if not zero
	nanos   int64     // shifted, if ranged
	ranged  bool
}

// copied is a table of a template, ready to be copied.
type copied struct {
	name    string
	columns []string
	rows    [][]value
	trail   []bool
}

// prepare finds what differs from copy to copy.
func prepare(t template, number int, own map[string]bool) []copied {
	var all []copied
	for _, tab := range t.tables {
		c := copied{name: tab.name, columns: tab.columns, trail: tab.trail}
		for _, r := range tab.rows {
			row := make([]value, len(r))
			for i, v := range r {
				row[i] = prepareValue(v, tab.columns[i], number, own)
			}
			c.rows = append(c.rows, row)
		}
		all = append(all, c)
	}
	return all
}

func prepareValue(v any, column string, number int, own map[string]bool) value {
	switch v := v.(type) {
	case time.Time:
		return value{instant: v}
	case int64:
		if column == "lo" || column == "hi" {
			year := time.Unix(0, v).Year()
			return value{nanos: v, ranged: year == 2026 && v != math.MaxInt64, fixed: v}
		}
	case string:
		return value{fixed: v, text: v, patches: patches(v, number, own)}
	case []byte:
		return value{fixed: v, text: string(v), patches: patches(string(v), number, own), bytes: true}
	}
	return value{fixed: v}
}

func patches(s string, number int, own map[string]bool) []patch {
	var all []patch
	for _, at := range uuidsIn(s) {
		if id := s[at : at+36]; own[id] {
			all = append(all, patch{at: at, what: 'u', id: uuid.MustParse(id)})
		}
	}
	all = append(all, every(s, strconv.Itoa(number), 'n')...)
	all = append(all, every(s, templateUnit, 'w')...)
	for _, p := range every(s, "2026-", 'd') {
		if len(s) >= p.at+10 {
			if day, err := time.Parse(time.DateOnly, s[p.at:p.at+10]); err == nil {
				p.day = day
				all = append(all, p)
			}
		}
	}
	return all
}

func every(s, part string, what byte) []patch {
	var all []patch
	for at := 0; ; at += len(part) {
		i := strings.Index(s[at:], part)
		if i < 0 {
			return all
		}
		at += i
		all = append(all, patch{at: at, what: what})
	}
}

// copyOf is what makes a copy differ.
type copyOf struct {
	space  uuid.UUID // its ids are those of the template within it
	number string
	unit   string
	shift  time.Duration // whole days
}

// of gives the value of a copy.
func (c copyOf) of(v *value) any {
	switch {
	case !v.instant.IsZero():
		return v.instant.Add(c.shift)
	case v.ranged:
		return v.nanos + int64(c.shift)
	case !v.bytes && len(v.patches) == 0:
		return v.fixed
	}
	b := []byte(v.text)
	for _, at := range v.patches {
		switch at.what {
		case 'u':
			id := uuid.NewSHA1(c.space, at.id[:])
			copy(b[at.at:], id.String())
		case 'n':
			copy(b[at.at:], c.number)
		case 'w':
			copy(b[at.at:], c.unit)
		case 'd':
			copy(b[at.at:], at.day.Add(c.shift).Format(time.DateOnly))
		}
	}
	if !v.bytes {
		return string(b)
	}
	return postgres.Packed(b)
}
