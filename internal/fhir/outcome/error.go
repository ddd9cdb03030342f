package outcome

import (
	"errors"
	"fmt"
	"strings"
)

// Error is something that could not be done. Kind decides the HTTP status and the
// acknowledgement (one table each, at the edges). Op names the operation and the
// id. Issues, when there are any, are what the caller is told; otherwise Details is.
type Error struct {
	Kind        Code
	Op          string
	Details     string // fixed text, safe to log
	Diagnostics string // may hold personal data: never logged, never in Error()
	Issues      []Issue
	Err         error
}

// Error gives operation, kind and details; never Diagnostics.
func (e *Error) Error() string {
	parts := make([]string, 0, 3)
	if e.Op != "" {
		parts = append(parts, e.Op)
	}
	parts = append(parts, string(e.Kind))
	switch {
	case e.Details != "":
		parts = append(parts, e.Details)
	case len(e.Issues) > 0:
		parts = append(parts, e.Issues[0].String())
	}
	if e.Err != nil {
		parts = append(parts, e.Err.Error())
	}
	return strings.Join(parts, ": ")
}

// Unwrap gives the cause.
func (e *Error) Unwrap() error { return e.Err }

// Fail returns an Error of the given kind with a formatted, loggable text.
func Fail(kind Code, op, format string, args ...any) *Error {
	return &Error{Kind: kind, Op: op, Details: fmt.Sprintf(format, args...)}
}

// Reject returns an Error that carries the issues found in somebody's content; its
// Kind is that of the first error among them.
func Reject(op string, issues []Issue) *Error {
	kind := CodeInvalid
	for _, i := range issues {
		if i.Severity == SeverityError || i.Severity == SeverityFatal {
			kind = i.Code
			break
		}
	}
	return &Error{Kind: kind, Op: op, Issues: issues}
}

// KindOf gives the Kind of the first Error in the chain; exception for any other
// error, "" for nil.
func KindOf(err error) Code {
	if err == nil {
		return ""
	}
	var e *Error
	if errors.As(err, &e) {
		return e.Kind
	}
	return CodeException
}

func asError(err error) *Error {
	var e *Error
	if errors.As(err, &e) {
		return e
	}
	return &Error{Kind: CodeException, Details: "the service could not do this; it has been logged"}
}
