package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"sync/atomic"
	"time"

	"github.com/nats-io/nats.go"

	"fhirsvc/internal/delivery"
	"fhirsvc/internal/episode"
	"fhirsvc/internal/events"
	"fhirsvc/internal/store"
)

// lameDuck is how long a stopping service still answers after it has said that it is not
// ready, so that whoever sends it requests can notice.
const lameDuck = 2 * time.Second

// node is the whole service in one process: the rooms joined, between a store and a
// broker that are somebody else's.
type node struct {
	store    store.Store
	nats     *nats.Conn
	service  *episode.Service
	timers   *episode.Timers
	auditor  *episode.Auditor // nil keeps no audit trail
	intake   *events.Intake
	relay    *delivery.Relay
	matcher  *delivery.Matcher
	notifier *delivery.Notifier
	server   *http.Server
	listen   net.Listener
	log      *slog.Logger

	secure   bool // TLS ends here
	stopping atomic.Bool
	lameDuck time.Duration
	shutdown time.Duration // for all that runs to end
}

// dial connects to the broker. Once connected, it comes back by itself for ever.
func dial(url, credentials string, log *slog.Logger) (*nats.Conn, error) {
	options := []nats.Option{
		nats.Name("fhirsvc"),
		nats.MaxReconnects(-1),
		nats.ReconnectWait(250 * time.Millisecond),
		nats.DisconnectErrHandler(func(_ *nats.Conn, err error) {
			if err != nil {
				log.Warn("broker away", "kind", "transient", "error", err)
			}
		}),
		nats.ReconnectHandler(func(*nats.Conn) { log.Info("broker back") }),
	}
	if credentials != "" {
		options = append(options, nats.UserCredentials(credentials))
	}
	nc, err := nats.Connect(url, options...)
	if err != nil {
		return nil, fmt.Errorf("connect to the broker: %w", err)
	}
	return nc, nil
}

// ready tells why no request should be sent here now.
func (n *node) ready(ctx context.Context) error {
	switch {
	case n.stopping.Load():
		return errors.New("stopping")
	case !n.nats.IsConnected():
		return errors.New("broker away")
	}
	return n.store.Ping(ctx)
}

// url is where the service is reached from this machine.
func (n *node) url() string {
	if n.secure {
		return "https://" + n.listen.Addr().String()
	}
	return "http://" + n.listen.Addr().String()
}

// serve answers HTTP until the server is shut down.
func (n *node) serve() error {
	if n.secure {
		return n.server.ServeTLS(n.listen, "", "")
	}
	return n.server.Serve(n.listen)
}

// audit keeps the audit trail, if there is one.
func (n *node) audit(ctx context.Context) {
	if n.auditor != nil {
		n.auditor.Run(ctx)
	}
}

// run does the work until ctx ends or the HTTP server fails, and then stops in order:
// nothing new is let in before what was let in is finished and sent.
func (n *node) run(ctx context.Context) error {
	audit := start(n.audit)
	relay := start(n.relay.Run)
	matcher := start(n.matcher.Run)
	notifier := start(n.notifier.Run)
	timers := start(n.timers.Run)
	intake := start(n.intake.Run)
	failed := make(chan error, 1)
	go func() { failed <- n.serve() }()

	var err error
	select {
	case <-ctx.Done():
	case err = <-failed:
	}
	n.log.Info("stopping")
	n.stopping.Store(true)
	limit, cancel := context.WithTimeout(context.WithoutCancel(ctx), n.shutdown)
	defer cancel()
	if err == nil {
		wait(limit, n.lameDuck)
	}
	err = errors.Join(err, n.server.Shutdown(limit))
	intake.stop(limit)
	timers.stop(limit)
	matcher.stop(limit)
	if matchErr := n.matcher.Drain(limit); matchErr != nil {
		n.log.Warn("changes not matched; the next matcher goes on", "error", matchErr)
	}
	half, enough := context.WithTimeout(limit, n.shutdown/2) // a slow endpoint leaves time for the rest
	defer enough()
	notifier.stop(half)
	audit.stop(limit)
	relay.stop(limit)
	if drainErr := n.relay.Drain(limit); drainErr != nil {
		n.log.Warn("outbox not drained; the next relay goes on", "error", drainErr)
	}
	return err
}

// worker is a loop with its owner's hand on it.
type worker struct {
	cancel context.CancelFunc
	done   chan struct{}
}

func start(loop func(ctx context.Context)) worker {
	ctx, cancel := context.WithCancel(context.Background())
	w := worker{cancel: cancel, done: make(chan struct{})}
	go func() {
		defer close(w.done)
		loop(ctx)
	}()
	return w
}

// stop asks the loop to end and waits for it, but not longer than ctx.
func (w worker) stop(ctx context.Context) {
	w.cancel()
	select {
	case <-w.done:
	case <-ctx.Done():
	}
}

func wait(ctx context.Context, d time.Duration) {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
	case <-ctx.Done():
	}
}

// newServer bounds what a slow or silent client can hold.
func newServer(h http.Handler, log *slog.Logger) *http.Server {
	return &http.Server{
		Handler:           h,
		ReadHeaderTimeout: 10 * time.Second,
		ReadTimeout:       30 * time.Second,
		WriteTimeout:      90 * time.Second,
		IdleTimeout:       2 * time.Minute,
		MaxHeaderBytes:    64 << 10,
		ErrorLog:          slog.NewLogLogger(log.Handler(), slog.LevelWarn),
	}
}
