package main

import (
	"context"
	"errors"
	"time"

	"fhirsvc/internal/fhir/outcome"
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
  FHIRSVC_AUTHENTICATION    none: there is no other yet, and it must be written out
  FHIRSVC_CHANGES_RESOURCE  true puts whole resources into change events, false
  FHIRSVC_LOG_LEVEL         debug, info (default), warn, error
  FHIRSVC_SHUTDOWN_TIMEOUT  how long running work may take to end, 20s
`

func runServe(ctx context.Context, args []string, out surroundings) error {
	if err := parse(newFlags("serve", out, serveHelp), args, out); err != nil {
		return err
	}
	config, err := ReadConfig(out.getenv, neededByServe)
	var protocols [][]byte
	if config.Protocols != "" {
		var folderErr error
		if protocols, folderErr = readProtocols(config.Protocols); folderErr != nil {
			err = errors.Join(err, errors.New("FHIRSVC_PROTOCOLS: "+folderErr.Error()))
		}
	}
	if err != nil {
		return usageError{err}
	}
	log := newLog(out.stderr, config.LogLevel)
	log.Warn("there is no authentication: whoever reaches this service reads and writes every record")

	st, err := postgres.Open(ctx, config.DatabaseURL.reveal())
	if err != nil {
		return unsafeOr(err)
	}
	defer st.Close()
	if err := fixBase(ctx, st, config.CanonicalBase); err != nil {
		return err
	}
	n, err := join(ctx, joinOptions{
		store: st, natsURL: config.NATSURL.reveal(), credentials: config.NATSCredentials,
		httpAddr: config.HTTPAddr, clock: time.Now, databaseClock: true, baseURL: config.BaseURL, protocols: protocols,
		changesResource: config.ChangesResource,
		lameDuck:        min(lameDuck, config.ShutdownTimeout/4), shutdown: config.ShutdownTimeout, log: log,
	})
	if err != nil {
		return err
	}
	defer n.close()
	log.Info("ready", "address", n.listen.Addr().String())
	return n.run(ctx)
}

// unsafeOr tells a database that must be set up otherwise from one that is away.
func unsafeOr(err error) error {
	if outcome.KindOf(err) == outcome.CodeBusinessRule {
		return usageError{err}
	}
	return err
}
