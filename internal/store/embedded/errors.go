package embedded

import (
	"context"
	"errors"

	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"

	"fhirsvc/internal/fhir/outcome"
)

// fault turns an error of the database into an *outcome.Error; nil stays nil.
func fault(op string, err error) error {
	if err == nil {
		return nil
	}
	var known *outcome.Error
	if errors.As(err, &known) {
		return err
	}
	return &outcome.Error{Kind: kindOf(err), Op: op, Details: "the embedded store could not do this", Err: err}
}

func kindOf(err error) outcome.Code {
	if errors.Is(err, context.DeadlineExceeded) || errors.Is(err, context.Canceled) {
		return outcome.CodeTransient // what was begun was rolled back
	}
	var e *sqlite.Error
	if !errors.As(err, &e) {
		return outcome.CodeNoStore // closed, or the file is away
	}
	switch e.Code() & 0xff { // the primary code; the rest says where it arose
	case sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED:
		return outcome.CodeLockError
	case sqlite3.SQLITE_INTERRUPT:
		return outcome.CodeTransient
	case sqlite3.SQLITE_FULL, sqlite3.SQLITE_IOERR, sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_READONLY,
		sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_NOMEM:
		return outcome.CodeNoStore
	}
	return outcome.CodeException
}

func notFound(op, what string) error {
	return outcome.Fail(outcome.CodeNotFound, op, "there is no %s", what)
}
