package searchsql

import (
	"fhirsvc/internal/fhir/search"
	"fhirsvc/internal/store"
)

// Row is a row of the statement that has a match, and the match's place in the order.
type Row struct {
	At    search.Cursor
	Match store.Resource
}

// Page makes the page of the rows that Build's statement gave, in their order. Whoever comes
// from a neighbour finds a way back to it, even if what was there is gone by then.
func Page(q search.Query, total int, rows []Row) store.Page {
	page := store.Page{Matches: []store.Resource{}, Total: total}
	more, back := len(rows) > max(q.Count, 1), q.Before != nil
	switch {
	case more && back:
		rows = rows[1:]
	case more:
		rows = rows[:len(rows)-1]
	}
	if len(rows) == 0 {
		return page
	}
	if more || back {
		page.Next = &rows[len(rows)-1].At
	}
	if more && back || q.After != nil {
		page.Previous = &rows[0].At
	}
	for _, r := range rows {
		page.Matches = append(page.Matches, r.Match)
	}
	return page
}
