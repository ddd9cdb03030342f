package sandbox

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"sync"
	"time"

	"fhirsvc/internal/fhir/outcome"
)

// Driver is the service as a turning clock sees it.
type Driver interface {
	// CaughtUp returns when all that the broker has acknowledged is taken in.
	CaughtUp(ctx context.Context) error
	// NextDue gives the earliest instant at which something is due; ok is false if
	// there is none.
	NextDue(ctx context.Context) (at time.Time, ok bool, err error)
	// FireDue does all that is due at the clock's time.
	FireDue(ctx context.Context) error
}

// ClockHandler serves GET and POST /sandbox/clock.
type ClockHandler struct {
	clock  *Clock
	driver Driver
	log    *slog.Logger
	turn   sync.Mutex // one turn at a time
}

// NewClockHandler returns the handler of a clock.
func NewClockHandler(c *Clock, d Driver, log *slog.Logger) *ClockHandler {
	return &ClockHandler{clock: c, driver: d, log: log}
}

type clockJSON struct {
	Now time.Time `json:"now"`
}

func (h *ClockHandler) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	switch r.Method {
	case http.MethodGet:
		h.answer(w)
	case http.MethodPost:
		h.post(w, r)
	default:
		w.Header().Set("Allow", "GET, POST")
		refuse(w, http.StatusMethodNotAllowed, outcome.CodeNotSupported, "the clock is read with GET and turned with POST")
	}
}

func (h *ClockHandler) post(w http.ResponseWriter, r *http.Request) {
	if !h.clock.Manual() {
		refuse(w, http.StatusUnprocessableEntity, outcome.CodeBusinessRule, "only a manual clock can be turned; start the sandbox with --clock manual")
		return
	}
	body, err := io.ReadAll(http.MaxBytesReader(w, r.Body, 4096))
	if err != nil {
		refuse(w, http.StatusRequestEntityTooLarge, outcome.CodeTooLong, "a turn of the clock is a few bytes")
		return
	}
	h.turn.Lock()
	defer h.turn.Unlock()
	to, err := target(body, h.clock.Now())
	if err != nil {
		refuse(w, http.StatusBadRequest, outcome.CodeValue, err.Error())
		return
	}
	err = h.turnTo(r.Context(), to)
	switch {
	case errors.Is(err, ErrBackwards):
		refuse(w, http.StatusUnprocessableEntity, outcome.CodeBusinessRule,
			fmt.Sprintf("the clock stands at %s and only goes forward", h.clock.Now().Format(time.RFC3339Nano)))
	case err != nil:
		h.log.Error("clock not turned to its end", "kind", outcome.KindOf(err), "error", err)
		refuse(w, http.StatusServiceUnavailable, outcome.CodeTransient, "the clock was not turned to its end; turn it again")
	default:
		h.answer(w)
	}
}

// turnTo halts at each due instant in order until the clock shows to.
func (h *ClockHandler) turnTo(ctx context.Context, to time.Time) error {
	if to.Before(h.clock.Now()) {
		return ErrBackwards
	}
	if err := h.driver.CaughtUp(ctx); err != nil {
		return err
	}
	for ctx.Err() == nil {
		at, ok, err := h.driver.NextDue(ctx)
		if err != nil {
			return err
		}
		if !ok || at.After(to) {
			return h.clock.Set(to)
		}
		if err := h.halt(ctx, at); err != nil {
			return err
		}
	}
	return ctx.Err()
}

// halt does what is due at an instant. What is still due at a time that has passed is in
// somebody else's hand: it waits a little for it.
func (h *ClockHandler) halt(ctx context.Context, at time.Time) error {
	if at.After(h.clock.Now()) {
		if err := h.clock.Set(at); err != nil {
			return err
		}
	} else {
		time.Sleep(2 * time.Millisecond)
	}
	return h.driver.FireDue(ctx)
}

// target reads where the clock is to be turned.
func target(body []byte, now time.Time) (time.Time, error) {
	var asked struct {
		Advance string    `json:"advance"`
		Now     time.Time `json:"now"`
	}
	if err := json.Unmarshal(body, &asked); err != nil {
		return time.Time{}, errors.New(`want {"advance": "PT15M"} or {"now": "2025-03-04T10:00:00Z"}`)
	}
	switch {
	case asked.Advance != "" && asked.Now.IsZero():
		d, err := parseDuration(asked.Advance)
		return now.Add(d), err
	case asked.Advance == "" && !asked.Now.IsZero():
		return asked.Now.UTC(), nil
	}
	return time.Time{}, errors.New("want either advance or now")
}

func (h *ClockHandler) answer(w http.ResponseWriter) {
	body, err := json.Marshal(clockJSON{Now: h.clock.Now()})
	if err != nil {
		panic(err) // a time always marshals
	}
	write(w, "application/json", http.StatusOK, body)
}

func refuse(w http.ResponseWriter, status int, code outcome.Code, text string) {
	write(w, "application/fhir+json", status, outcome.JSON([]outcome.Issue{{
		Severity: outcome.SeverityError, Code: code, Details: text,
	}}))
}

func write(w http.ResponseWriter, contentType string, status int, body []byte) {
	w.Header().Set("Content-Type", contentType)
	w.WriteHeader(status)
	_, _ = w.Write(body) // a client that has gone away hears nothing
}
