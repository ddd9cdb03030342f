package postgres

import (
	"context"
	"errors"
	"strings"

	"github.com/jackc/pgx/v5/pgconn"

	"fhirsvc/internal/fhir/outcome"
)

// fault turns an error of the database into an *outcome.Error; nil stays nil. The
// server's message may quote values, so it goes to Diagnostics and only its code is
// left to be logged.
func fault(op string, err error) error {
	if err == nil {
		return nil
	}
	var known *outcome.Error
	if errors.As(err, &known) {
		return err
	}
	e := &outcome.Error{Kind: kindOf(err), Op: op, Details: "the database could not do this", Err: err}
	var server *pgconn.PgError
	if errors.As(err, &server) {
		e.Details = "the database answered with SQLSTATE " + server.Code
		e.Diagnostics = server.Message + " " + server.Detail
		e.Err = nil
	}
	return e
}

// unknown is fault for a commit: when the connection or the caller's patience ended,
// nobody knows whether it went through, and the inbox must be asked.
func unknown(op string, err error) error {
	err = fault(op, err)
	var e *outcome.Error
	if errors.As(err, &e) && (errors.Is(err, context.Canceled) || errors.Is(err, context.DeadlineExceeded)) {
		e.Kind = outcome.CodeNoStore
	}
	return err
}

// kindOf reads the SQLSTATE, https://www.postgresql.org/docs/current/errcodes-appendix.html.
func kindOf(err error) outcome.Code {
	if errors.Is(err, context.Canceled) || errors.Is(err, context.DeadlineExceeded) {
		return outcome.CodeTransient
	}
	var server *pgconn.PgError
	if !errors.As(err, &server) {
		return outcome.CodeNoStore // no answer: not connected, or the connection broke
	}
	switch code := server.Code; {
	case code == "40P01", code == "55P03": // deadlock_detected, lock_not_available
		return outcome.CodeLockError
	case code == "40003": // statement_completion_unknown
		return outcome.CodeNoStore
	case strings.HasPrefix(code, "40"): // serialization_failure and other rollbacks
		return outcome.CodeTransient
	case code == "57014": // query_canceled, by statement_timeout
		return outcome.CodeTransient
	case code == "53300": // too_many_connections
		return outcome.CodeTransient
	case strings.HasPrefix(code, "57P"): // admin_shutdown, crash_shutdown, cannot_connect_now
		return outcome.CodeNoStore
	case code == "25006": // read_only_sql_transaction: a standby
		return outcome.CodeNoStore
	case code == "25P03", code == "25P04": // idle_in_transaction_session_timeout, transaction_timeout
		return outcome.CodeTransient
	}
	switch server.Code[:min(2, len(server.Code))] {
	case "08", "28", "3D", "53", "58", "XX": // connection, authorisation, no such database, resources, system, broken within
		return outcome.CodeNoStore
	}
	return outcome.CodeException
}

func notFound(op, what string) error {
	return outcome.Fail(outcome.CodeNotFound, op, "there is no %s", what)
}
