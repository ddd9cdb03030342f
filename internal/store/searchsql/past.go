package searchsql

import (
	"strings"
	"time"

	"fhirsvc/internal/fhir/search"
	"fhirsvc/internal/store"
)

// BuildPast gives the text and the arguments of a question for versions, whose rows a Scan
// of the type reads; at most Count + 1 of them, of which the last tells whether there is more
// (see PageOfPast).
func BuildPast(p store.Past, d Dialect) (string, []any) {
	b := &builder{dialect: d}
	resourceType := b.arg(p.Type)
	where := []string{"v.type = " + resourceType, "r.type = v.type", "r.id = v.id"}
	if p.ID != "" {
		where = append(where, "v.id = "+b.arg(p.ID))
	}
	if !p.Since.IsZero() {
		since := p.Since.Add(time.Microsecond - 1) // rounded up to what is kept
		where = append(where, "v.updated >= "+b.arg(d.Instant(since.UnixMicro())))
	}
	if p.Units != nil {
		where = append(where, b.within("r", resourceType, p.Units, p.Shared), "(v.unit = r.unit OR "+b.isOneOf("v.unit", p.Units)+")")
	}
	order := "v.updated DESC, v.id DESC, v.version DESC"
	switch at := p.After; {
	case p.ID != "" && at != nil:
		where = append(where, "v.version < "+b.arg(at.Version))
	case at != nil:
		where = append(where, "(v.updated, v.id, v.version) < ("+
			strings.Join([]string{b.arg(d.Instant(at.Updated.UnixMicro())), b.arg(at.ID), b.arg(at.Version)}, ", ")+")")
	}
	if p.ID != "" {
		order = "v.version DESC"
	}
	return `SELECT -1 AS total, v.id, v.version, ` + d.Micros("v.updated") + `, v.unit, v.episode, v.body
FROM resource_version v, resource r
WHERE ` + strings.Join(where, "\n  AND ") + `
ORDER BY ` + order + `
LIMIT ` + b.arg(int64(max(p.Count, 1))+1), b.args
}

// NewPastScan makes a Scan for the rows of a question for versions.
func NewPastScan(p store.Past) *Scan { return NewScan(search.Query{Type: p.Type}) }

// PageOfPast gives the page of the rows that were taken.
func (s *Scan) PageOfPast(p store.Past) store.PastPage {
	page := store.PastPage{Versions: []store.Resource{}}
	for i, r := range s.found {
		if i == max(p.Count, 1) {
			last := page.Versions[i-1]
			page.Next = &store.Place{Updated: last.Updated, ID: last.ID, Version: last.Version}
			break
		}
		page.Versions = append(page.Versions, r.Match)
	}
	return page
}
