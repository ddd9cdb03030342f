package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"

	"github.com/nats-io/nats.go"

	"fhirsvc/internal/episode"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/store/group"
	"fhirsvc/internal/store/postgres"
)

const serveHelp = `Usage: fhirsvc serve

Runs the service on an external NATS and PostgreSQL. Any number of replicas may run side
by side. 'fhirsvc migrate' must have brought the database to this version's schema. It
refuses to start on anything missing, wrong or unsafe, and names every problem at once.

Settings (environment):
  FHIRSVC_DATABASE_URL      the PostgreSQL database
  FHIRSVC_NATS_URL          the JetStream servers, comma-separated; set sync_interval: always
                            there, or an acknowledged event can be lost with its machine
  FHIRSVC_NATS_CREDENTIALS  credentials file for NATS; none if empty
  FHIRSVC_HTTP_ADDR         where to listen, 127.0.0.1:8080
  FHIRSVC_PROTOCOLS         folder with your approved protocols, PlanDefinitions as .json
  FHIRSVC_CANONICAL_BASE    names what your site writes itself; as at the first migrate
  FHIRSVC_BASE_URL          where clients reach /fhir from outside, such as
                            https://host/fhir; taken from each request if empty
  FHIRSVC_AUTHENTICATION    smart: SMART Backend Services, with the settings below;
                            none, which must be written out: everybody may do everything
  FHIRSVC_ISSUER            whose tokens are taken (iss), https://…
  FHIRSVC_AUDIENCE          what their aud must name, usually FHIRSVC_BASE_URL
  FHIRSVC_JWKS_URL          where the issuer's keys are, or …
  FHIRSVC_JWKS_FILE         … the file that they are in
  FHIRSVC_TOKEN_URL         where clients get tokens; told to them, not called
  FHIRSVC_UNITS_CLAIM       the claim with a client's units, fhirsvc_units
  FHIRSVC_REQUESTS_PER_SECOND  how often one client may ask with smart, 100
  FHIRSVC_MAX_CONNECTIONS   how many connections are taken at a time, 1000
  FHIRSVC_CORS_ORIGINS      origins of pages that may call from a browser, comma
                            between; none if empty
  FHIRSVC_TLS_CERT          certificate file; TLS ends here if it is set
  FHIRSVC_TLS_KEY           its key file; both are read again when they change
  FHIRSVC_TLS_CLIENT_CA     clients must have a certificate from these authorities
  FHIRSVC_CHANGES_RESOURCE  true puts whole resources into change events, false
  FHIRSVC_SUBSCRIPTION_ENDPOINTS  where Subscriptions may be told: URL prefixes with commas
                            between, https://…; with none no endpoint is called
  FHIRSVC_SUBSCRIPTION_GIVE_UP  how long an endpoint may fail before it is given up, 72h
  FHIRSVC_DESTINATIONS      file (JSON) with the external FHIR servers that changes are
                            delivered to; none if empty
  FHIRSVC_METRICS_ADDR      where metrics are served at /metrics; nowhere if empty
  FHIRSVC_TRACES_URL        OTLP/HTTP collector, such as http://collector:4318/v1/traces;
                            no traces if empty
  FHIRSVC_TRACES_RATIO      of the traces that begin here, 0 to 1, 1
  FHIRSVC_LOG_LEVEL         debug, info (default), warn, error
  FHIRSVC_SHUTDOWN_TIMEOUT  how long running work may take to end, 20s
`

func runServe(ctx context.Context, args []string, out surroundings) error {
	if err := parse(newFlags("serve", out, serveHelp), args, out); err != nil {
		return err
	}
	collectSeldom(out.getenv)
	config, err := ReadConfig(out.getenv, neededByServe)
	log := newLog(out.stderr, config.LogLevel)
	protocols, faults := serveProtocols(config.Protocols)
	st, storeErr := openStore(ctx, config)
	if st != nil {
		defer closeSoon(st)
	}
	nc, natsErr := dialServe(config, log)
	if nc != nil {
		defer nc.Close()
	}
	who, accessErr := openAccess(ctx, config, log)
	w, watchErr := openWatch(ctx, config)
	destinations, destinationsErr := readDestinations(config.Destinations)
	if err := errors.Join(err, faults, storeErr, natsErr, accessErr, watchErr, destinationsErr); err != nil {
		return err
	}
	shared, err := episode.NewSharedClock(ctx, st)
	if err != nil {
		return fmt.Errorf("FHIRSVC_DATABASE_URL: %w", err)
	}
	n, err := join(ctx, joinOptions{
		store: st, nats: nc, httpAddr: config.HTTPAddr, clock: shared.Now, shared: shared, baseURL: config.BaseURL,
		protocols: protocols, changesResource: config.ChangesResource, access: who,
		endpoints: config.Endpoints, giveUp: config.GiveUp, destinations: destinations,
		watch: w, lameDuck: min(lameDuck, config.ShutdownTimeout/4), shutdown: config.ShutdownTimeout, log: log,
	})
	if err != nil {
		return err
	}
	log.Info("ready", "address", n.listen.Addr().String(), "metrics_address", w.address())
	return n.run(ctx)
}

// serveProtocols reads the folder, if one is named, and checks what is in it.
func serveProtocols(dir string) ([][]byte, error) {
	if dir == "" {
		return nil, nil // said already
	}
	bodies, err := readProtocols(dir)
	if err == nil {
		err = episode.CheckProtocols(bodies, false)
	}
	if err != nil {
		return nil, usageError{fmt.Errorf("FHIRSVC_PROTOCOLS: %w", err)}
	}
	return bodies, nil
}

// openStore opens the database, if one is named, and checks that it is this site's.
func openStore(ctx context.Context, c Config) (*group.Store, error) {
	if c.DatabaseURL == "" {
		return nil, nil // said already
	}
	single, err := postgres.Open(ctx, c.DatabaseURL.reveal())
	if outcome.KindOf(err) == outcome.CodeBusinessRule { // set up otherwise, not away
		return nil, usageError{fmt.Errorf("FHIRSVC_DATABASE_URL: %w", err)}
	}
	if err != nil {
		return nil, fmt.Errorf("FHIRSVC_DATABASE_URL: %w", err)
	}
	st := group.New(single)
	if c.CanonicalBase == "" {
		return st, nil
	}
	return st, fixBase(ctx, st, c.CanonicalBase)
}

// dialServe connects to the broker, if one is named.
func dialServe(c Config, log *slog.Logger) (*nats.Conn, error) {
	if c.NATSURL == "" {
		return nil, nil // said already
	}
	nc, err := dial(c.NATSURL.reveal(), c.NATSCredentials, log)
	if err != nil {
		return nil, fmt.Errorf("FHIRSVC_NATS_URL: %w", err)
	}
	return nc, nil
}
