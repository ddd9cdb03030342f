// Package embedded keeps the store of one process in a folder, with SQLite in pure Go:
// the sandbox needs nothing installed. A lock file keeps a second process out. Every
// commit is on the disk before it is answered (write-ahead log, synchronous=FULL), so
// that a process killed at any instruction loses nothing that it acknowledged.
//
// It knows SQL for SQLite; it must not know clinical rules or transport. There is one
// writer, so commits follow one another: claims about concurrency are made by
// store/postgres.
//
//	st, err := embedded.Open("data")
//	if err != nil { return err }
//	defer st.Close()
package embedded
