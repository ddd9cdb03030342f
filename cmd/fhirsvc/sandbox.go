package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"time"

	"github.com/nats-io/nats.go"

	"fhirsvc/api"
	"fhirsvc/internal/delivery/hook"
	"fhirsvc/internal/sandbox"
	"fhirsvc/internal/store"
	"fhirsvc/internal/store/embedded"
	"fhirsvc/internal/store/group"
	"fhirsvc/internal/store/postgres"
)

const sandboxHelp = `Usage: fhirsvc sandbox [flags]

Runs the whole service on this machine with nothing to install: a JetStream server and a
store are built in, and draft protocols are allowed. It is open to whoever reaches it, so
it listens on loopback alone. Never put real patients' data into it.

When it is ready it prints where it is, a line each: http=URL and nats=URL.

  fhirsvc sandbox --play                     watch one invented episode, then look around
  fhirsvc sandbox --data ./data              keep the data
  fhirsvc sandbox --clock manual --now 2025-03-04T09:00:00Z
                                             turn the clock yourself:
      curl -d '{"advance": "PT15M"}' http://127.0.0.1:8080/sandbox/clock

Flags:`

// sandboxFlags are the sandbox's settings.
type sandboxFlags struct {
	http, nats, data, clock, database string
	destinations                      string
	now                               time.Time
	patients                          int
	play                              bool
}

// playClock runs a whole episode in a minute: five minutes a second.
const playClock = "fast:300"

// sandboxLease is short: there is one process, and nobody should wait long for what the
// one that was killed had in hand.
const sandboxLease = 3 * time.Second

func readSandboxFlags(args []string, out surroundings) (sandboxFlags, error) {
	var o sandboxFlags
	f := newFlags("sandbox", out, sandboxHelp)
	f.StringVar(&o.http, "http", "127.0.0.1:8080", "`address` of FHIR REST; port 0 picks a free one")
	f.StringVar(&o.nats, "nats", "127.0.0.1:4222", "`address` of the built-in JetStream server; port 0 picks a free one")
	f.StringVar(&o.data, "data", "", "`folder` that keeps the data; without it a temporary one is removed at the end")
	f.StringVar(&o.clock, "clock", "", "wall (default), manual, or fast:N for N seconds in one; with --play the default is "+playClock)
	f.Func("now", "`time` at which a manual or fast clock begins, such as 2025-03-04T09:00:00Z", func(s string) (err error) {
		if o.now, err = time.Parse(time.RFC3339, s); err != nil {
			return errors.New("want a time with an offset, such as 2025-03-04T09:00:00Z")
		}
		return nil
	})
	f.IntVar(&o.patients, "patients", 0, "play `N` invented episodes without telling about them")
	f.BoolVar(&o.play, "play", false, "play one invented episode and tell what happens")
	f.StringVar(&o.database, "database", "", "PostgreSQL `URL` to use instead of the built-in store, to try the one with the clock of the other; brings its schema up to date")
	f.StringVar(&o.destinations, "destinations", "", "`file` (JSON) with external FHIR servers to deliver changes to, as FHIRSVC_DESTINATIONS of serve")
	if err := parse(f, args, out); err != nil {
		return o, err
	}
	if o.clock == "" {
		o.clock = "wall"
		if o.play {
			o.clock = playClock
		}
	}
	switch {
	case o.patients < 0 || o.patients > 1000:
		return o, usageError{errors.New("sandbox: --patients wants 0 to 1000")}
	case o.clock == "manual" && (o.play || o.patients > 0):
		return o, usageError{errors.New("sandbox: --play and --patients need a clock that runs; use wall or fast:N")}
	}
	return o, nil
}

func runSandbox(ctx context.Context, args []string, out surroundings) (err error) {
	o, err := readSandboxFlags(args, out)
	if err != nil {
		return err
	}
	level := slog.LevelInfo
	if o.play {
		level = slog.LevelWarn // the story is not to drown
	}
	log := newLog(out.stderr, level)
	dir, remove, err := dataFolder(o.data)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, remove()) }()

	single, err := openSandboxStore(ctx, o, dir)
	if err != nil {
		return err
	}
	st := group.New(single)
	defer st.Close()
	clock, err := sandbox.OpenClock(o.clock, o.now, filepath.Join(dir, "clock.json"))
	if err != nil {
		return usageError{fmt.Errorf("sandbox: %w", err)}
	}
	broker, err := sandbox.StartBroker(o.nats, filepath.Join(dir, "jetstream"))
	if err != nil {
		return err
	}
	defer broker.Close()
	nc, err := dial(broker.URL(), "", log)
	if err != nil {
		return err
	}
	defer nc.Close()
	n, err := newSandboxNode(ctx, o, st, nc, clock, log)
	if err != nil {
		return err
	}
	say(out.stdout, "http=%s\nnats=%s\n", n.url(), broker.URL())
	playing, stopPlays := context.WithCancel(ctx)
	plays := startPlays(playing, o, n.url(), broker.URL(), out, log)
	err = n.run(ctx)
	stopPlays()
	plays()
	return err
}

// dataFolder gives the folder and the call that removes it if it is a temporary one.
func dataFolder(given string) (dir string, remove func() error, err error) {
	if given != "" {
		return given, func() error { return nil }, os.MkdirAll(given, 0o700)
	}
	dir, err = os.MkdirTemp("", "fhirsvc-sandbox-")
	return dir, func() error { return os.RemoveAll(dir) }, err
}

func openSandboxStore(ctx context.Context, o sandboxFlags, dir string) (store.Store, error) {
	if o.database == "" {
		return embedded.Open(filepath.Join(dir, "store"))
	}
	if err := postgres.Migrate(ctx, o.database); err != nil {
		return nil, err
	}
	return postgres.Open(ctx, o.database)
}

func newSandboxNode(ctx context.Context, o sandboxFlags, st store.Store, nc *nats.Conn, clock *sandbox.Clock, log *slog.Logger) (*node, error) {
	host, _, err := net.SplitHostPort(o.http)
	if err != nil {
		return nil, usageError{fmt.Errorf("sandbox: --http: %w", err)}
	}
	if ip := net.ParseIP(host); host != "localhost" && (ip == nil || !ip.IsLoopback()) {
		return nil, usageError{errors.New("sandbox: --http must be on loopback, such as 127.0.0.1:8080: the sandbox asks nobody who they are")}
	}
	var protocols [][]byte
	for _, body := range api.Protocols() {
		protocols = append(protocols, body)
	}
	destinations, err := readDestinations(o.destinations)
	if err != nil {
		return nil, err
	}
	w, err := openWatch(ctx, Config{})
	if err != nil {
		return nil, err
	}
	n, err := join(ctx, joinOptions{
		watch: w, store: st, nats: nc, httpAddr: o.http, clock: clock.Now, destinations: destinations,
		endpoints: hook.Loopback(), protocols: protocols, drafts: true, lease: sandboxLease, shutdown: 10 * time.Second, log: log,
	})
	if err != nil {
		return nil, err
	}
	mux := http.NewServeMux()
	mux.Handle("/sandbox/clock", sandbox.NewClockHandler(clock, clockDriver{n}, log))
	mux.Handle("GET /metrics", w.metrics.Handler())
	mux.Handle("/", n.server.Handler)
	n.server.Handler = mux
	return n, nil
}

// clockDriver is the node as a turning clock sees it.
type clockDriver struct{ *node }

func (d clockDriver) CaughtUp(ctx context.Context) error { return d.intake.CaughtUp(ctx) }

func (d clockDriver) NextDue(ctx context.Context) (time.Time, bool, error) {
	return d.store.NextDue(ctx)
}

func (d clockDriver) FireDue(ctx context.Context) error {
	return d.timers.FireDue(ctx)
}
