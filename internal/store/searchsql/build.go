package searchsql

import (
	"fmt"
	"strings"

	"fhirsvc/internal/fhir/search"
)

// Dialect is what the databases say differently. Columns and placeholders are SQL
// fragments of this package, never of a caller.
type Dialect interface {
	// Placeholder is the n-th argument, from 1.
	Placeholder(n int) string
	// StartsWith is true when the text column starts with the argument.
	StartsWith(column, placeholder string) string
	// Contains is true when the text column has the argument anywhere.
	Contains(column, placeholder string) string
	// Micros is an instant column as microseconds since 1970-01-01 UTC.
	Micros(column string) string
	// Instant is the argument to compare an instant column with.
	Instant(micros int64) any
}

// Build gives the text and the arguments of a search, whose rows a Scan reads: total, the
// columns of resource_version id, version, updated, unit, episode, body, and the keys of the query's
// Sort as texts, in the order of the query; at most Count + 1 of them, so that the one too
// many, which is the farthest from where the page begins, tells whether there is more (see
// Page). One row with only total set means an empty page. Total, -1 if it is not wanted, and
// page come from one statement, and so from one state of the database.
func Build(q search.Query, d Dialect) (string, []any) {
	b := &builder{dialect: d}
	if q.Shared == (search.Shared{}) {
		b.units = q.Units
	}
	b.leader = b.leads(q.All)
	resourceType := b.arg(q.Type)
	where := []string{"r.type = " + resourceType}
	if q.Units != nil {
		where = append(where, b.within("r", resourceType, q.Units, q.Shared))
	}
	for i := range q.All {
		where = append(where, b.condition(&q.All[i], matched))
	}
	o := orderOf(q)
	matches, total := "MATERIALIZED", "count(*) AS total FROM matches"
	if q.NoTotal {
		matches, total = "NOT MATERIALIZED", "-1 AS total"
	}
	text := `WITH matches AS ` + matches + ` (
  SELECT r.id, r.version` + b.keys(q.Sort) + `
  FROM resource r
  WHERE ` + strings.Join(where, "\n    AND ") + `
), page AS (
  SELECT m.*
  FROM matches m` + b.beyond(q, o) + `
  ORDER BY ` + o.by("m", q.Before != nil) + `
  LIMIT ` + b.arg(int64(max(q.Count, 1))+1) + `
)
SELECT t.total, v.id, v.version, ` + d.Micros("v.updated") + `, v.unit, v.episode, v.body` + o.told("p") + `
FROM (SELECT ` + total + `) t
LEFT JOIN page p ON 1 = 1
LEFT JOIN resource_version v ON v.type = ` + resourceType + ` AND v.id = p.id AND v.version = p.version
ORDER BY ` + o.by("p", false)
	return text, b.args
}

// matched is the name of the resources that a search is about, beside those that it joins.
const matched = "r"

type builder struct {
	dialect Dialect
	args    []any
	units   []string          // those that all matches are of; nil if they may be of others
	leader  *search.Condition // by which the matches are found; nil if the database must choose
	depth   int               // of joins, for names of their own
}

func (b *builder) arg(v any) string {
	b.args = append(b.args, v)
	return b.dialect.Placeholder(len(b.args))
}

// isOneOf is true when a column holds one of the texts.
func (b *builder) isOneOf(column string, texts []string) string {
	if len(texts) == 0 {
		return "1 = 0"
	}
	marks := make([]string, len(texts))
	for i, s := range texts {
		marks[i] = b.arg(s)
	}
	return column + " IN (" + strings.Join(marks, ", ") + ")"
}

// within limits the resources r of a type to units, and to what units share.
func (b *builder) within(r, resourceType string, units []string, shared search.Shared) string {
	own := b.isOneOf(r+".unit", units)
	switch {
	case shared.Open:
		return "(" + own + " OR " + r + ".unit = '')"
	case shared.By == "":
		return own
	}
	return fmt.Sprintf(`(%[1]s OR %[2]s.unit = '' AND EXISTS (SELECT 1 FROM search_index u, resource ur
      WHERE u.type = %[3]s AND u.param = %[4]s AND u.kind = %[5]d AND u.code = %[2]s.id AND u.system = %[6]s
        AND ur.type = u.type AND ur.id = u.id AND %[7]s))`,
		own, r, b.arg(shared.By), b.arg(shared.Param), search.Reference, resourceType, b.isOneOf("ur.unit", units))
}
