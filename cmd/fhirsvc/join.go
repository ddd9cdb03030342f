package main

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"slices"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"golang.org/x/net/netutil"

	"fhirsvc/api"
	"fhirsvc/internal/delivery"
	"fhirsvc/internal/delivery/hook"
	"fhirsvc/internal/delivery/push"
	"fhirsvc/internal/episode"
	"fhirsvc/internal/events"
	"fhirsvc/internal/fhir/profiles"
	"fhirsvc/internal/fhir/validate"
	"fhirsvc/internal/rest"
	"fhirsvc/internal/store"
)

// joinOptions are what a node is joined from.
type joinOptions struct {
	store           store.Store
	nats            *nats.Conn
	httpAddr        string
	baseURL         string
	clock           episode.Clock
	shared          *episode.SharedClock // whose the clock is, where replicas share one
	protocols       [][]byte
	drafts          bool
	changesResource bool
	endpoints       hook.Endpoints
	giveUp          time.Duration
	destinations    []push.Destination
	access          access
	lease           time.Duration // of what a process has in hand; 0: for many replicas
	lameDuck        time.Duration
	shutdown        time.Duration
	log             *slog.Logger
	watch           lookout
}

// anybody is who every caller is as long as there is no authentication.
func anybody() episode.Client {
	return episode.Client{ID: "anonymous", Display: "Unauthenticated client", Units: episode.AllUnits()}
}

// join connects the rooms. The node does nothing until it is run, but its address is
// taken already. On an error nothing stays open.
func join(ctx context.Context, o joinOptions) (_ *node, err error) {
	n := &node{store: o.store, nats: o.nats, log: o.log, lameDuck: o.lameDuck, shutdown: o.shutdown, secure: o.access.tls != nil, watch: o.watch}
	if n.listen, err = net.Listen("tcp", o.httpAddr); err != nil {
		return nil, fmt.Errorf("listen for HTTP: %w", err)
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, n.listen.Close())
		}
	}()
	if err := n.joinService(ctx, o); err != nil {
		return nil, err
	}
	if err := n.joinBroker(ctx, o); err != nil {
		return nil, err
	}
	o.watch.metrics.Watch(o.log, n.gauges()...)
	return n, n.joinHTTP(ctx, o)
}

// joinService makes what handles inputs, and the timers.
func (n *node) joinService(ctx context.Context, o joinOptions) error {
	outgoing := validate.New(profiles.Outgoing())
	if o.access.audited {
		n.auditor = episode.NewAuditor(episode.AuditorOptions{
			Store: o.store, Outgoing: outgoing, Clock: o.clock, Log: o.log, Server: n.base(o),
		})
	}
	release, err := episode.NewRelease(o.protocols, published(), o.drafts)
	if err != nil {
		return usageError{err}
	}
	service, err := episode.New(ctx, episode.Options{
		Store:             wakingStore{Store: o.store, node: n},
		Incoming:          validate.New(profiles.Incoming()),
		Outgoing:          outgoing,
		Auditor:           n.auditor,
		Watch:             o.watch.metrics,
		Clock:             o.clock,
		Log:               o.log,
		Release:           release,
		Endpoint:          n.base(o),
		Software:          version(),
		ResourceInChanges: o.changesResource,
		Endpoints:         o.endpoints,
	})
	if err != nil {
		return usageError{err}
	}
	n.service, n.timers = service, episode.NewTimers(service, o.shared)
	n.timers.Traces = o.watch.spans()
	n.notifier = delivery.NewNotifier(delivery.NotifierOptions{
		Queues: o.store, Telling: service, Sender: hook.NewClient(o.endpoints), Log: o.log, Watch: o.watch.metrics, Traces: o.watch.spans(), GiveUp: o.giveUp,
	})
	n.matcher = delivery.NewMatcher(o.store, service.Match, n.tell, o.log)
	if n.deliverers, err = joinDestinations(ctx, o, n.base(o)); err != nil {
		return err
	}
	if o.lease > 0 {
		n.timers.Lease = o.lease
	}
	return nil
}

// published are the resources of the release that others refer to.
func published() [][]byte {
	var bodies [][]byte
	for _, body := range api.Conformance() {
		bodies = append(bodies, body)
	}
	return bodies
}

// joinBroker makes what takes events in and what sends changes out.
func (n *node) joinBroker(ctx context.Context, o joinOptions) error {
	js, err := jetstream.New(n.nats)
	if err != nil {
		return err
	}
	if err := events.Prepare(ctx, js); err != nil {
		return fmt.Errorf("prepare streams: %w", err)
	}
	n.intake, err = events.NewIntake(ctx, js, events.IntakeOptions{
		Handler: n.service, Ping: o.store.Ping, Log: o.log, Watch: o.watch.metrics, Traces: o.watch.spans(), AckWait: o.lease,
	})
	if err != nil {
		return err
	}
	n.relay = delivery.NewRelay(delivery.Options{Outbox: o.store, Publisher: events.NewPublisher(js), Log: o.log, Traces: o.watch.spans(), Lease: o.lease})
	return nil
}

// joinHTTP makes the server.
func (n *node) joinHTTP(ctx context.Context, o joinOptions) error {
	key, err := o.store.Fix(ctx, "paging-key", rand.Text())
	if err != nil {
		return fmt.Errorf("fix the paging key: %w", err)
	}
	options := rest.Options{
		Reading: o.store, Charting: n.service, Messaging: n.service, Planning: n.service, Subscribing: n.service,
		Ready: n.ready, Log: o.log, Watch: o.watch.metrics, Traces: o.watch.spans(), BaseURL: o.baseURL, Origins: o.access.origins, Client: anybody(),
		Tokens: o.access.tokens, Smart: o.access.smart, RequestsPerSecond: o.access.perSecond, ClientCertificates: o.access.certified,
		PagingKey: []byte(key), Version: version(), Built: built(), Clock: o.clock,
	}
	if n.auditor != nil {
		options.Auditor = n.auditor
	}
	n.server = newServer(rest.New(options), o.log)
	n.server.TLSConfig = o.access.tls
	if o.access.maxConnections > 0 {
		n.listen = netutil.LimitListener(n.listen, o.access.maxConnections)
	}
	return nil
}

// base is where clients reach /fhir.
func (n *node) base(o joinOptions) string {
	if o.baseURL != "" {
		return o.baseURL
	}
	return n.url() + "/fhir"
}

// wakingStore wakes those who tell of changes after each commit, so that they go out at
// once.
type wakingStore struct {
	store.Store
	node *node
}

func (w wakingStore) Commit(ctx context.Context, changes []store.Changeset) ([]store.Result, error) {
	results, err := w.Store.Commit(ctx, changes)
	if w.node.relay == nil || err != nil { // not joined yet
		return results, err
	}
	w.node.relay.Wake()
	w.node.matcher.Wake()
	if slices.ContainsFunc(changes, func(c store.Changeset) bool { return len(c.Subscriptions) > 0 }) {
		w.node.notifier.Wake()
	}
	return results, nil
}
