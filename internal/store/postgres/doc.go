// Package postgres keeps the store in PostgreSQL, for any number of replicas that share
// nothing else. A Commit is a few set-based statements in one READ COMMITTED
// transaction: the first pass takes every key and locks every row that can conflict, in
// one order for all replicas; the second writes what stands behind them, for the
// changesets that nothing stood against. No expected conflict is an SQL error.
//
// It knows SQL for PostgreSQL 15 and later; it must not know clinical rules or
// transport.
//
//	if err := postgres.Migrate(ctx, url); err != nil { return err }
//	st, err := postgres.Open(ctx, url)
//	if err != nil { return err }
//	defer st.Close()
package postgres
