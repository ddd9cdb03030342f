package rest

import (
	"context"
	"net/http"
	"strings"

	"github.com/labstack/echo/v4"

	"fhirsvc/internal/episode"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/rest/smart"
)

// Tokens says who a Bearer token speaks for.
type Tokens interface {
	Verify(ctx context.Context, token string) (smart.Caller, error)
}

// bearer is the scheme of RFC 6750.
const bearer = "Bearer"

type callKey struct{}

// callOf gives who makes the request. Without authenticated before it nobody does, and
// nobody may do anything.
func callOf(ctx context.Context) smart.Caller {
	k, _ := ctx.Value(callKey{}).(smart.Caller)
	return k
}

// isProbe reports whether a route, by its template, is for whoever watches the process.
func isProbe(route string) bool { return route == "/livez" || route == "/readyz" }

// authenticated lets nobody past whose token is not sound, or who asks too often, and
// nothing be done that can't be recorded.
func (s *server) authenticated(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		certified := s.certified(c.Request())
		if isProbe(c.Path()) || certified == nil && s.openTo(c) {
			return next(c)
		}
		c.Response().Header().Set("Cache-Control", "no-store")
		c.Response().Header().Set("X-Content-Type-Options", "nosniff")
		var k smart.Caller
		err := certified
		if err == nil {
			k, err = s.caller(c.Request())
		}
		k.Client.Address, k.Client.Trace = c.RealIP(), traceOf(c)
		if err == nil {
			err = s.limits.take(k.Client.ID, 1)
		}
		if err != nil {
			a := k.Client.Access()
			a.Type, a.Interaction = s.told(c)
			s.note(a, err)
			return err
		}
		if s.o.Auditor != nil {
			if err := s.o.Auditor.Room(); err != nil {
				return err
			}
		}
		r := c.Request()
		c.SetRequest(r.WithContext(context.WithValue(r.Context(), callKey{}, k)))
		return next(c)
	}
}

// told gives the type and the interaction of a route; "" for what is not served.
func (s *server) told(c echo.Context) (resourceType, code string) {
	at := s.at[c.Request().Method+" "+c.Path()]
	return at.Type, string(at.interaction)
}

// certified refuses who has shown no certificate, where one is wanted.
func (s *server) certified(r *http.Request) error {
	if s.o.ClientCertificates && (r.TLS == nil || len(r.TLS.VerifiedChains) == 0) {
		return outcome.Fail(outcome.CodeLogin, "", "a client certificate is needed")
	}
	return nil
}

// caller says who makes a request.
func (s *server) caller(r *http.Request) (smart.Caller, error) {
	if s.o.Tokens == nil {
		everything := smart.Caller{Client: s.o.Client, Scopes: smart.AllScopes()}
		everything.Client.Units = episode.AllUnits()
		return everything, nil
	}
	given := r.Header.Values(echo.HeaderAuthorization)
	if len(given) > 1 {
		return smart.Caller{}, &refusal{
			status: http.StatusBadRequest, challenge: `error="invalid_request"`,
			err: outcome.Fail(outcome.CodeInvalid, "", "more than one Authorization header was sent"),
		}
	}
	scheme, token, _ := strings.Cut(strings.Join(given, ""), " ")
	if !strings.EqualFold(scheme, bearer) || token == "" {
		return smart.Caller{}, outcome.Fail(outcome.CodeLogin, "", "a Bearer token is needed in the Authorization header")
	}
	return s.o.Tokens.Verify(r.Context(), token)
}

// challenge is the WWW-Authenticate header of an answer (RFC 6750 section 3), "" for
// none. Who sent no token is told no error.
func challenge(status int, err *outcome.Error, told string) string {
	switch {
	case told != "":
		return bearer + ` realm="fhir", ` + told
	case status != http.StatusUnauthorized:
		return ""
	case err.Kind == outcome.CodeLogin:
		return bearer + ` realm="fhir"`
	}
	return bearer + ` realm="fhir", error="invalid_token"`
}
