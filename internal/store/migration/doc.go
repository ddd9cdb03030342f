// Package migration reads numbered schema steps from embedded files named
// NNN_name.up.sql. It knows names and order; running them is each store's own matter,
// and it must not know any SQL dialect.
//
//	steps, err := migration.Read(files, "migrations")
//	latest := steps[len(steps)-1].Version
package migration
