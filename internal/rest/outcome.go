package rest

import (
	"context"
	"errors"
	"net/http"

	"github.com/labstack/echo/v4"

	"fhirsvc/internal/fhir/outcome"
)

// status is the one table from what went wrong to the HTTP status. The codes are those
// of http://hl7.org/fhir/ValueSet/issue-type, the statuses those of
// hl7.org/fhir/R4/http.html where it names one.
func status(kind outcome.Code) int {
	switch kind {
	case outcome.CodeStructure, outcome.CodeRequired, outcome.CodeValue, outcome.CodeInvariant,
		outcome.CodeInvalid, outcome.CodeCodeInvalid, outcome.CodeNotSupported:
		return http.StatusBadRequest
	case outcome.CodeLogin, outcome.CodeUnknown, outcome.CodeExpired:
		return http.StatusUnauthorized
	case outcome.CodeForbidden, outcome.CodeTooCostly:
		return http.StatusForbidden
	case outcome.CodeNotFound:
		return http.StatusNotFound
	case outcome.CodeDuplicate:
		return http.StatusConflict
	case outcome.CodeDeleted:
		return http.StatusGone
	case outcome.CodeConflict, outcome.CodeMultipleMatches:
		return http.StatusPreconditionFailed
	case outcome.CodeTooLong:
		return http.StatusRequestEntityTooLarge
	case outcome.CodeBusinessRule:
		return http.StatusUnprocessableEntity
	case outcome.CodeThrottled:
		return http.StatusTooManyRequests
	case outcome.CodeTransient, outcome.CodeLockError, outcome.CodeNoStore:
		return http.StatusServiceUnavailable
	case outcome.CodeTimeout:
		return http.StatusGatewayTimeout
	case outcome.CodeException, outcome.CodeInformational:
	}
	return http.StatusInternalServerError
}

// Statuses gives the issue codes behind each HTTP status that is not a success.
func Statuses() map[int][]outcome.Code {
	out := map[int][]outcome.Code{}
	for _, kind := range outcome.Codes() {
		out[status(kind)] = append(out[status(kind)], kind)
	}
	// What R4 answers to a request that is wrong as HTTP, by a refusal or the router.
	for _, code := range []int{
		http.StatusNotFound, http.StatusMethodNotAllowed, http.StatusNotAcceptable, http.StatusUnsupportedMediaType,
	} {
		out[code] = append(out[code], outcome.CodeNotSupported)
	}
	return out
}

// refusal is an error with a status of its own: what R4 answers to a request that is
// wrong as HTTP, before anything is read from it.
type refusal struct {
	status    int
	err       *outcome.Error
	challenge string // of WWW-Authenticate, "" for what the status says
}

func (r *refusal) Error() string { return r.err.Error() }
func (r *refusal) Unwrap() error { return r.err }

func refuse(status int, kind outcome.Code, format string, args ...any) error {
	return &refusal{status: status, err: outcome.Fail(kind, "", format, args...)}
}

// failed gives the status and the Kind of any error, also of those that the router and
// the library's middleware make.
func failed(err error) (int, *outcome.Error) {
	var own *refusal
	if errors.As(err, &own) {
		return own.status, own.err
	}
	var known *outcome.Error
	if errors.As(err, &known) {
		return status(known.Kind), known
	}
	var tooLong *http.MaxBytesError
	if errors.As(err, &tooLong) {
		e := outcome.Fail(outcome.CodeTooLong, "", "the body is longer than %d bytes", tooLong.Limit)
		return status(e.Kind), e
	}
	if errors.Is(err, context.DeadlineExceeded) || errors.Is(err, context.Canceled) {
		e := outcome.Fail(outcome.CodeTimeout, "", "this took too long")
		return status(e.Kind), e
	}
	var he *echo.HTTPError
	if errors.As(err, &he) {
		return routed(he)
	}
	e := outcome.Fail(outcome.CodeException, "", "")
	return status(e.Kind), e
}

// routed reads an error of the router.
func routed(he *echo.HTTPError) (int, *outcome.Error) {
	switch he.Code {
	case http.StatusNotFound:
		return he.Code, outcome.Fail(outcome.CodeNotFound, "", "there is nothing at this address")
	case http.StatusMethodNotAllowed:
		return he.Code, outcome.Fail(outcome.CodeNotSupported, "", "this method is not served here; the Allow header names those that are")
	}
	if he.Code >= http.StatusBadRequest && he.Code < http.StatusInternalServerError {
		return he.Code, outcome.Fail(outcome.CodeInvalid, "", "the request can't be read")
	}
	e := outcome.Fail(outcome.CodeException, "", "")
	return status(e.Kind), e
}

// outcomeOf is the OperationOutcome of an error. What is our fault tells its kind and
// where to find it in the log, nothing of its cause.
func outcomeOf(status int, err *outcome.Error, trace string) []byte {
	if status < http.StatusInternalServerError {
		return outcome.JSONOf(err)
	}
	return outcome.JSON([]outcome.Issue{{
		Severity: outcome.SeverityError, Code: err.Kind,
		Details: ourFault(err.Kind), Diagnostics: "trace " + trace,
	}})
}

func ourFault(kind outcome.Code) string {
	switch status(kind) {
	case http.StatusServiceUnavailable:
		return "the service can't do this now; try again after the time in Retry-After"
	case http.StatusGatewayTimeout:
		return "this took too long; whether it was done is not known: ask before you repeat it"
	}
	return "the service failed; nothing can be done from your side"
}

// notReady hides why, which is for the log.
func notReady(err error) error {
	return &outcome.Error{Kind: outcome.CodeTransient, Op: "ready", Err: err}
}
