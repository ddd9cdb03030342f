package rest

import (
	"errors"
	"net/http"
	"strings"

	"github.com/labstack/echo/v4"

	"fhirsvc/internal/fhir/outcome"
)

// retryAfter is in seconds: longer than a change of the database's leader takes to
// show, short enough for a nurse at a screen.
const retryAfter = "2"

// fail writes the OperationOutcome of any error. It is the only place where a
// response other than a success comes from.
func (s *server) fail(err error, c echo.Context) {
	if c.Response().Committed {
		return
	}
	code, e := failed(err)
	if t := unservedType(c.Request().URL.Path); code == http.StatusNotFound && e.Kind == outcome.CodeNotFound && t != "" {
		e = outcome.Fail(outcome.CodeNotSupported, "", "resources of type %s are not served", t)
	}
	if code == http.StatusServiceUnavailable || code == http.StatusTooManyRequests {
		c.Response().Header().Set(echo.HeaderRetryAfter, retryAfter)
	}
	var own *refusal
	told := ""
	if errors.As(err, &own) {
		told = own.challenge
	}
	if text := challenge(code, e, told); text != "" {
		c.Response().Header().Set(echo.HeaderWWWAuthenticate, text)
	}
	body := outcomeOf(code, e, traceOf(c))
	if err := c.Blob(code, contentType, body); err != nil {
		s.o.Log.Warn("response not written", "trace_id", traceOf(c))
	}
}

// unservedType gives the resource type in a path below /fhir, "" when there is none or
// it is served. An unknown type is 404 not-supported, R4 http.html#2.21.0.
func unservedType(path string) string {
	rest, ok := strings.CutPrefix(path, root+"/")
	name, _, _ := strings.Cut(rest, "/")
	if !ok || len(name) > 64 || name == "" || name[0] < 'A' || name[0] > 'Z' {
		return ""
	}
	if _, known := serves(name, interactionRead); known {
		return ""
	}
	return name
}
