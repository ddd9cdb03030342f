// Package searchsql writes the SQL text of a search from a search.Query, once for
// both stores: they have the same tables (resource, resource_version, search_index)
// and differ in a few expressions, which each states as a Dialect.
//
// It knows R4 search semantics and those tables; it must not know connections. What a
// caller asks for enters the text only as placeholders.
//
//	text, args := searchsql.Build(q, dialect)
package searchsql
