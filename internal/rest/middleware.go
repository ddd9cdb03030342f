package rest

import (
	"context"
	"log/slog"
	"net/http"
	"time"

	"github.com/google/uuid"
	"github.com/klauspost/compress/gzhttp"
	"github.com/labstack/echo/v4"
	"github.com/labstack/echo/v4/middleware"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/tracing"
)

// traced gives every request an id: the client's X-Request-Id if it is one that can be
// logged and sent back safely, else a new one (R4 http.html#custom).
func traced(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		id := c.Request().Header.Get(echo.HeaderXRequestID)
		if !isID(id) {
			id = uuid.NewString()
		}
		c.Response().Header().Set(echo.HeaderXRequestID, id)
		return next(c)
	}
}

func traceOf(c echo.Context) string { return c.Response().Header().Get(echo.HeaderXRequestID) }

// isID reports whether the text is an R4 id, [A-Za-z0-9\-\.]{1,64}.
func isID(text string) bool {
	if text == "" || len(text) > 64 {
		return false
	}
	for _, c := range []byte(text) {
		letter := c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z'
		if !letter && (c < '0' || c > '9') && c != '-' && c != '.' {
			return false
		}
	}
	return true
}

// logged writes one line a request: the route's template and never the path, the query
// or a body, which may identify a patient.
func (s *server) logged(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		started := time.Now()
		err := next(c)
		if err != nil {
			s.fail(err, c)
		}
		attrs := []slog.Attr{
			slog.String("method", method(c.Request().Method)),
			slog.String("route", c.Path()),
			slog.Int("status", c.Response().Status),
			slog.Int64("duration_ms", time.Since(started).Milliseconds()),
			slog.String("trace_id", traceOf(c)),
		}
		if id := tracing.ID(c.Request().Context()); id != "" {
			attrs = append(attrs, slog.String("otel_trace_id", id))
		}
		level := slog.LevelInfo
		if err != nil {
			code, e := failed(err)
			level = levelOf(code)
			attrs = append(attrs, slog.String("kind", string(e.Kind)))
			if code >= http.StatusInternalServerError {
				attrs = append(attrs, slog.String("error", err.Error()))
			}
		}
		s.o.Log.LogAttrs(c.Request().Context(), level, "request", attrs...)
		return nil
	}
}

// method keeps what a client made up out of the log.
func method(name string) string {
	switch name {
	case http.MethodGet, http.MethodHead, http.MethodPost, http.MethodPut, http.MethodPatch, http.MethodDelete, http.MethodOptions:
		return name
	}
	return "other"
}

// levelOf: a sender's fault and what will pass are warnings, a fault of ours is for a
// person.
func levelOf(code int) slog.Level {
	switch {
	case code == http.StatusInternalServerError:
		return slog.LevelError
	case code >= http.StatusBadRequest:
		return slog.LevelWarn
	}
	return slog.LevelInfo
}

// recovered turns a panic into an error of kind exception.
func (s *server) recovered() echo.MiddlewareFunc {
	return middleware.RecoverWithConfig(middleware.RecoverConfig{
		DisableStackAll:     true,
		DisableErrorHandler: true,
		LogErrorFunc: func(c echo.Context, err error, stack []byte) error {
			s.o.Log.Error("panic", "route", c.Path(), "trace_id", traceOf(c), "stack", string(stack))
			return outcome.Fail(outcome.CodeException, "panic", "%T", err)
		},
	})
}

// bounded ends a request after a time, and its body after a length.
func (s *server) bounded(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		ctx, cancel := context.WithTimeout(c.Request().Context(), s.o.Timeout)
		defer cancel()
		r := c.Request().WithContext(ctx)
		r.Body = http.MaxBytesReader(c.Response(), r.Body, bodyLimit)
		c.SetRequest(r)
		return next(c)
	}
}

// compressed lets answers of a kilobyte and more go out as gzip to who asks for it. What
// is asked for stands in an answer beside what is not the asker's to know, so that lengths
// could tell of it (the BREACH attack, 2013): they are blurred.
func compressed() echo.MiddlewareFunc {
	wrap, err := gzhttp.NewWrapper(gzhttp.EnableZstd(false), gzhttp.RandomJitter(32, 0, false))
	if err != nil {
		panic(err) // the options are constants
	}
	return echo.WrapMiddleware(func(next http.Handler) http.Handler { return wrap(next) })
}

// browsers lets pages of other origins call, with the headers that FHIR uses.
func browsers(origins []string) echo.MiddlewareFunc {
	return middleware.CORSWithConfig(middleware.CORSConfig{
		AllowOrigins: origins,
		AllowMethods: []string{
			http.MethodGet, http.MethodHead, http.MethodPost, http.MethodPut, http.MethodPatch,
		},
		AllowHeaders: []string{
			"Accept", "Authorization", "Content-Type", "Prefer", "If-Match", "If-None-Match", "If-Modified-Since", "If-None-Exist", "X-Request-Id",
		},
		ExposeHeaders: []string{"ETag", "Location", "Last-Modified", "X-Request-Id", "Retry-After", "WWW-Authenticate"},
		MaxAge:        600,
	})
}
