// Package postgres keeps the store in PostgreSQL, for any number of replicas that share
// nothing else. A Commit is a few set-based statements that are sent at once and are one
// READ COMMITTED transaction: they lock every row that can conflict, in one order for all
// replicas, find out what stands against each changeset, and write the rows of those that
// nothing stands against. No expected conflict is an SQL error; only two inserts of one
// key at the same instant are, and then all is done again.
//
// It knows SQL for PostgreSQL 15 and later; it must not know clinical rules or
// transport.
//
//	if err := postgres.Migrate(ctx, url); err != nil { return err }
//	st, err := postgres.Open(ctx, url)
//	if err != nil { return err }
//	defer st.Close()
package postgres
