package main

import (
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"sync/atomic"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"fhirsvc/internal/delivery"
	"fhirsvc/internal/episode"
	"fhirsvc/internal/events"
	"fhirsvc/internal/store"
)

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

	deliverers []*delivery.Deliverer // one a destination
	server     *http.Server
	listen     net.Listener
	log        *slog.Logger
	watch      lookout

	secure   bool // TLS ends here
	stopping atomic.Bool
	lameDuck time.Duration
	shutdown time.Duration // for all that runs to end
}

// How the broker is found to be silent: by the third question in a row without an answer.
// A connection that a gateway has forgotten is lost without a word, and TCP finds that out
// after many minutes, if at all.
const (
	askBroker  = 3 * time.Second
	unanswered = 2
)

// dial connects to the broker. Once connected, it comes back by itself for ever.
func dial(url, credentials string, log *slog.Logger) (*nats.Conn, error) {
	options := []nats.Option{
		nats.Name("fhirsvc"),
		nats.MaxReconnects(-1),
		nats.ReconnectWait(250 * time.Millisecond),
		nats.PingInterval(askBroker),
		nats.MaxPingsOutstanding(unanswered),
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

// dialStreams connects to the streams of the broker for one piece of work, until done.
func dialStreams(c Config) (js jetstream.JetStream, done func(), err error) {
	nc, err := dial(c.NATSURL.reveal(), c.NATSCredentials, slog.New(slog.DiscardHandler))
	if err != nil {
		return nil, nil, err
	}
	if js, err = jetstream.New(nc); err != nil {
		nc.Close()
		return nil, nil, err
	}
	return js, nc.Close, nil
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
