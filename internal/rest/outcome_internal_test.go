package rest

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"testing"

	"github.com/labstack/echo/v4"
	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/outcome"
)

// The table, row by row. Where R4 http.html names a status it is that one: 404, 405,
// 410, 412 (If-Match, several matches), 422 (rules beyond the specification).
func TestStatusOfEachKind(t *testing.T) {
	t.Parallel()
	want := map[outcome.Code]int{
		outcome.CodeStructure: 400, outcome.CodeRequired: 400, outcome.CodeValue: 400, outcome.CodeInvariant: 400,
		outcome.CodeInvalid: 400, outcome.CodeCodeInvalid: 400, outcome.CodeNotSupported: 400,
		outcome.CodeLogin: 401, outcome.CodeUnknown: 401, outcome.CodeExpired: 401,
		outcome.CodeForbidden: 403, outcome.CodeTooCostly: 403,
		outcome.CodeNotFound: 404, outcome.CodeDuplicate: 409, outcome.CodeDeleted: 410,
		outcome.CodeConflict: 412, outcome.CodeMultipleMatches: 412,
		outcome.CodeTooLong: 413, outcome.CodeBusinessRule: 422, outcome.CodeThrottled: 429,
		outcome.CodeTransient: 503, outcome.CodeLockError: 503, outcome.CodeNoStore: 503,
		outcome.CodeTimeout: 504, outcome.CodeException: 500, outcome.CodeInformational: 500,
	}
	for kind, code := range want {
		require.Equal(t, code, status(kind), kind)
	}
	require.Equal(t, 500, status("never-heard-of"))
}

func TestFailedReadsEveryError(t *testing.T) {
	t.Parallel()
	tests := []struct {
		name string
		err  error
		code int
		kind outcome.Code
	}{
		{"ours, wrapped", fmt.Errorf("x: %w", outcome.Fail(outcome.CodeNoStore, "", "")), 503, outcome.CodeNoStore},
		{"with a status of its own", refuse(406, outcome.CodeNotSupported, ""), 406, outcome.CodeNotSupported},
		{"body too long", fmt.Errorf("read: %w", &http.MaxBytesError{Limit: 5}), 413, outcome.CodeTooLong},
		{"out of time", fmt.Errorf("x: %w", context.DeadlineExceeded), 504, outcome.CodeTimeout},
		{"no route", echo.ErrNotFound, 404, outcome.CodeNotFound},
		{"no method", echo.ErrMethodNotAllowed, 405, outcome.CodeNotSupported},
		{"of the library, the client's", echo.ErrBadRequest, 400, outcome.CodeInvalid},
		{"of the library, not the client's", echo.ErrBadGateway, 500, outcome.CodeException},
		{"any other", errors.New("disk on fire"), 500, outcome.CodeException},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			code, e := failed(tt.err)
			require.Equal(t, tt.code, code)
			require.Equal(t, tt.kind, e.Kind)
		})
	}
}

func TestPreferred(t *testing.T) {
	t.Parallel()
	h := http.Header{"Prefer": {`respond-async, return="minimal"; foo`, "Handling=lenient"}}
	require.Equal(t, "minimal", preferred(h, "return"))
	require.Equal(t, "lenient", preferred(h, "handling"))
	require.Equal(t, "", preferred(h, "wait"))
}

func TestAcceptable(t *testing.T) {
	t.Parallel()
	for _, yes := range []string{
		"*/*", "application/fhir+json", "application/json", "application/fhir+json; fhirVersion=4.0", "json",
		"application/fhir+xml;q=0.9, application/fhir+json;q=0.1", "application/*",
	} {
		require.True(t, acceptable(yes), yes)
	}
	for _, no := range []string{
		"application/fhir+xml", "text/html", "application/fhir+json; fhirVersion=3.0", "application/json;q=0.0", ";;",
	} {
		require.False(t, acceptable(no), no)
	}
}
