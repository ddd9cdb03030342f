package scale

import (
	"context"
	"io"
	"log/slog"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fhirsvc/api"
	"fhirsvc/internal/episode"
	"fhirsvc/internal/fhir/profiles"
	"fhirsvc/internal/fhir/validate"
	"fhirsvc/internal/rest"
	"fhirsvc/internal/rest/smart"
	"fhirsvc/internal/sandbox"
	"fhirsvc/internal/sandbox/bedside"
	"fhirsvc/internal/store/postgres"
)

// The validators are those of the service, made once.
var (
	incoming = sync.OnceValue(func() *validate.Validator { return validate.New(profiles.Incoming()) })
	outgoing = sync.OnceValue(func() *validate.Validator { return validate.New(profiles.Outgoing()) })
)

// unit is the service on a database, with a clock that stands still between two acts.
type unit struct {
	testing.TB
	url     string
	clock   *sandbox.Clock
	store   *postgres.Store
	service *episode.Service
	timers  *episode.Timers
	auditor *episode.Auditor
	client  *bedside.Client
}

// known takes every token for that of one screen.
type known struct{ units episode.Units }

func (k known) Verify(context.Context, string) (smart.Caller, error) {
	return smart.Caller{Client: episode.Client{ID: "screen-1", Display: "Invented screen", Units: k.units}, Scopes: smart.AllScopes()}, nil
}

// opening is when the first episode begins.
func opening() time.Time { return time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC) }

// newUnit joins the rooms as serve does, but for the broker.
func newUnit(t testing.TB, url string) *unit {
	t.Helper()
	return newUnitFor(t, url, episode.AllUnits(), opening())
}

// newUnitFor is for clients of some units, at an instant.
func newUnitFor(t testing.TB, url string, units episode.Units, now time.Time) *unit {
	t.Helper()
	u := &unit{TB: t, url: url, store: openStore(t, url)}
	var err error
	u.clock, err = sandbox.OpenClock("manual", now, filepath.Join(t.TempDir(), "clock"))
	require.NoError(t, err)
	quiet := slog.New(slog.DiscardHandler)
	u.auditor = episode.NewAuditor(episode.AuditorOptions{Store: u.store, Outgoing: outgoing(), Clock: u.clock.Now, Log: quiet})
	var protocols [][]byte
	for _, body := range api.Protocols() {
		protocols = append(protocols, body)
	}
	release, err := episode.NewRelease(protocols, nil, true)
	require.NoError(t, err)
	u.service, err = episode.New(t.Context(), episode.Options{
		Store: u.store, Incoming: incoming(), Outgoing: outgoing(), Clock: u.clock.Now, Log: quiet, Auditor: u.auditor,
		Release: release, Endpoint: "https://fhirsvc.example/fhir", Software: "played",
	})
	require.NoError(t, err)
	u.timers = episode.NewTimers(u.service, nil)
	handler := rest.New(rest.Options{
		Reading: u.store, Charting: u.service, Messaging: u.service, Planning: u.service, Subscribing: u.service,
		Ready: func(ctx context.Context) (string, error) { return "", u.store.Ping(ctx) }, Log: quiet, Clock: u.clock.Now,
		Auditor: u.auditor, Version: "played", Tokens: known{units}, Smart: &rest.Smart{TokenEndpoint: "https://issuer.example/token"},
	})
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		r.Header.Set("Authorization", "Bearer invented")
		handler.ServeHTTP(w, r)
	}))
	t.Cleanup(server.Close)
	u.client = bedside.DialHTTP(server.URL)
	t.Cleanup(u.client.Close)
	return u
}

// Now is the time of the people, too.
func (u *unit) Now(context.Context) (time.Time, error) { return u.clock.Now(), nil }

// Wait turns the clock; what falls due on the way is done at its time.
func (u *unit) Wait(ctx context.Context, to time.Time) error {
	for {
		at, ok, err := u.timers.NextDue(ctx)
		if err != nil {
			return err
		}
		if !ok || at.After(to) {
			return u.clock.Set(to)
		}
		if at.After(u.clock.Now()) {
			if err := u.clock.Set(at); err != nil {
				return err
			}
		}
		if err := u.timers.FireDue(ctx); err != nil {
			return err
		}
	}
}

// play plays a case that begins at the instant, to its end, or until some time after its
// begin. The dice say what it is like.
func (u *unit) play(number int, at time.Time, until time.Duration, dice *rand.Rand) {
	u.Helper()
	require.NoError(u, u.Wait(u.Context(), at))
	kind, bleed := "diagnostic", 0
	if dice.IntN(2) == 0 {
		kind = "intervention"
	}
	if dice.IntN(4) == 0 { // 13 to 60 %, docs/simulation.md
		bleed = 1 + dice.IntN(4)
	}
	m := bedside.Manner{Clock: u, BleedAfter: bleed, Out: io.Discard, Late: func() time.Duration {
		return time.Duration(dice.ExpFloat64() * float64(264*time.Second)) // 4.4 min, docs/simulation.md
	}}
	if until > 0 {
		m.Until = at.Add(until)
	}
	c := bedside.NewCase(number, kind, at)
	c.Unit = templateUnit
	require.NoError(u, m.Play(u.Context(), u.client, c))
	u.auditor.Flush(u.Context())
}
