package searchsql

import (
	"strconv"
	"time"

	"fhirsvc/internal/fhir/search"
	"fhirsvc/internal/store"
)

// Scan is what the rows of Build's statement are read into, one after the other.
type Scan struct {
	Total int

	query             search.Query
	id, unit, episode *string
	version, updated  *int64
	body              []byte
	keys              []*string
	found             []Row
}

// NewScan makes a Scan for the rows of a query.
func NewScan(q search.Query) *Scan { return &Scan{query: q, keys: make([]*string, len(q.Sort))} }

// Into gives where a row's columns are read to, in their order.
func (s *Scan) Into() []any {
	s.body = nil
	into := []any{&s.Total, &s.id, &s.version, &s.updated, &s.unit, &s.episode, &s.body}
	for i := range s.keys {
		into = append(into, &s.keys[i])
	}
	return into
}

// Take keeps the row that was read, if it has a match. It fails on a key that is none.
func (s *Scan) Take() error {
	if s.id == nil {
		return nil
	}
	at := search.Cursor{ID: *s.id}
	for i, sorted := range s.query.Sort {
		key, err := keyOf(sorted, s.keys[i])
		if err != nil {
			return err
		}
		at.Keys = append(at.Keys, key)
	}
	s.found = append(s.found, Row{At: at, Match: store.Resource{
		Type: s.query.Type, ID: *s.id, Version: *s.version, Updated: time.UnixMicro(*s.updated).UTC(),
		Unit: *s.unit, Episode: *s.episode, Body: s.body,
	}})
	return nil
}

func keyOf(s search.Sort, column *string) (search.Key, error) {
	switch {
	case column == nil:
		return search.Key{None: true}, nil
	case s.IsText():
		return search.Key{Text: *column}, nil
	}
	n, err := strconv.ParseInt(*column, 10, 64)
	return search.Key{Number: n}, err
}

// Page gives the page of the rows that were taken.
func (s *Scan) Page() store.Page { return Page(s.query, s.Total, s.found) }
