package searchsql

import (
	"fmt"
	"math"
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
	// Micros is an instant column as microseconds since 1970-01-01 UTC.
	Micros(column string) string
	// Instant is the argument to compare an instant column with.
	Instant(micros int64) any
}

// Build gives the text and the arguments of a search. Its rows are total, key, and
// the columns of resource_version id, version, updated, unit, episode, body, in the
// order of the query; at most Count + 1 of them, so that the one too many, which is the
// farthest from where the page begins, tells whether there is more (see Page). One row with only total set means an empty page. Total and page come
// from one statement, and so from one state of the database.
func Build(q search.Query, d Dialect) (string, []any) {
	b := &builder{dialect: d}
	resourceType := b.arg(q.Type)
	key := b.sortKey(q.Sort)
	where := []string{"r.type = " + resourceType}
	if q.Units != nil {
		where = append(where, b.within(q, resourceType))
	}
	for _, c := range q.All {
		where = append(where, b.condition(c))
	}
	order := direction(q.Sort.Descending)
	// A page before a place is cut in the other order.
	back := q.Before != nil
	cut, cutID := direction(q.Sort.Descending != back), direction(back)
	text := `WITH matches AS MATERIALIZED (
  SELECT r.id, r.version, ` + key + ` AS key
  FROM resource r
  WHERE ` + strings.Join(where, "\n    AND ") + `
), page AS (
  SELECT m.id, m.version, m.key
  FROM matches m` + b.beyond(q) + `
  ORDER BY m.key ` + cut + `, m.id ` + cutID + `
  LIMIT ` + b.arg(int64(max(q.Count, 1))+1) + `
)
SELECT t.total, p.key, v.id, v.version, v.updated, v.unit, v.episode, v.body
FROM (SELECT count(*) AS total FROM matches) t
LEFT JOIN page p ON 1 = 1
LEFT JOIN resource_version v ON v.type = ` + resourceType + ` AND v.id = p.id AND v.version = p.version
ORDER BY p.key ` + order + `, p.id`
	return text, b.args
}

func direction(descending bool) string {
	if descending {
		return "DESC"
	}
	return "ASC"
}

type builder struct {
	dialect Dialect
	args    []any
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

// within limits the matches to units, and to what units share.
func (b *builder) within(q search.Query, resourceType string) string {
	own := b.isOneOf("r.unit", q.Units)
	switch {
	case q.Open:
		return "(" + own + " OR r.unit = '')"
	case q.By == "":
		return own
	}
	return fmt.Sprintf(`(%s OR r.unit = '' AND EXISTS (SELECT 1 FROM search_index u
      WHERE u.type = %s AND u.param = %s AND u.kind = %d AND u.code = r.id AND u.system = %s AND %s))`,
		own, b.arg(q.By), b.arg(q.Param), search.Reference, resourceType, b.isOneOf("u.unit", q.Units))
}

// sortKey is the expression that matches are ordered by. Of several values the one
// that comes first in the order counts (R4 search.html#sort). Resources without a
// value get the last key of the order; an open start must not share it.
func (b *builder) sortKey(s search.Sort) string {
	switch s.Param {
	case "":
		return "0"
	case "_lastUpdated":
		return b.dialect.Micros("r.updated")
	}
	first, last := "min(v.lo)", int64(math.MaxInt64)
	if s.Descending {
		last = math.MinInt64
		first = fmt.Sprintf("max(CASE WHEN v.lo = %s THEN %s ELSE v.lo END)", b.arg(last), b.arg(last+1))
	}
	return fmt.Sprintf(`coalesce((SELECT %s FROM search_index v
    WHERE v.type = r.type AND v.id = r.id AND v.param = %s AND v.kind = %d), %s)`,
		first, b.arg(s.Param), search.Date, b.arg(last))
}

// beyond keeps what comes after, or before, the place of the query.
func (b *builder) beyond(q search.Query) string {
	from, id, descending := q.After, ">", q.Sort.Descending
	if q.Before != nil {
		from, id, descending = q.Before, "<", !descending
	}
	if from == nil {
		return ""
	}
	key := ">"
	if descending {
		key = "<"
	}
	at := b.arg(from.Key)
	return fmt.Sprintf("\n  WHERE m.key %s %s OR (m.key = %s AND m.id %s %s)", key, at, at, id, b.arg(from.ID))
}
