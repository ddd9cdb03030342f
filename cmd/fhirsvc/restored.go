package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"text/tabwriter"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"fhirsvc/internal/episode"
	"fhirsvc/internal/events"
	"fhirsvc/internal/fhir/profiles"
	"fhirsvc/internal/fhir/validate"
	"fhirsvc/internal/store/postgres"
)

const restoredHelp = `Usage: fhirsvc restored [flags]

Makes a database that was restored from a backup fit to go on: run it after the restore,
before 'serve', with every replica stopped. It may be run again.

  - The events that the database does not have are asked for again from the broker.
  - Versions are numbered on above all that were told of, so that none is used twice, and
    what was told of later than the database knows is told again as it is now.
  - It lists what was told of and is lost or older in the database: what came with events
    comes back with them; what was charted over REST after the backup is to be charted
    again, from this list and from paper.

Keep the list: the next one no longer has what was told again.

Settings (environment):
  FHIRSVC_DATABASE_URL      the restored database, brought to this version's schema
  FHIRSVC_NATS_URL          the broker
  FHIRSVC_NATS_CREDENTIALS  credentials file for NATS

Flags:`

// clocksDiffer is how far the clocks of broker and service may be apart: changes are read
// from so long before the last one that the database has.
const clocksDiffer = time.Hour

// restoredFlags are what may be said of a restore.
type restoredFlags struct {
	list  bool
	all   bool
	told  int64
	bytes string
}

func runRestored(ctx context.Context, args []string, out surroundings) (err error) {
	var o restoredFlags
	f := newFlags("restored", out, restoredHelp)
	f.BoolVar(&o.list, "list", false, "list only, change nothing")
	f.BoolVar(&o.all, "all", false, "read the whole stream of changes: clocks were more than an hour apart")
	f.Int64Var(&o.told, "told", 0, "versions up to `N` were told of: needed when the stream of changes is lost too")
	f.StringVar(&o.bytes, "changes", "", "`file` that is given the change events of what is listed, a line each, with the resources if they were told")
	if err := parse(f, args, out); err != nil {
		return err
	}
	config, err := ReadConfig(out.getenv, neededByRestored)
	if err != nil {
		return err
	}
	log := newLog(out.stderr, config.LogLevel)
	st, err := postgres.Open(ctx, config.DatabaseURL.reveal())
	if err != nil {
		return err
	}
	defer st.Close()
	js, done, err := dialStreams(config)
	if err != nil {
		return err
	}
	defer done()
	r := &restored{restoredFlags: o, store: st, js: js, out: out, log: log}
	return r.run(ctx)
}

// neededByRestored: the database and the broker.
func neededByRestored(s setting) bool {
	return s.name == "FHIRSVC_DATABASE_URL" || s.name == "FHIRSVC_NATS_URL"
}

// restored is the work after a restore.
type restored struct {
	restoredFlags
	store *postgres.Store
	js    jetstream.JetStream
	out   surroundings
	log   *slog.Logger

	highest int64 // version that is stored or was told of
	lost    []loss
}

func (r *restored) run(ctx context.Context) error {
	from, err := events.NewResumption(ctx, r.js)
	if err != nil {
		return err
	}
	if err := r.compare(ctx); err != nil {
		return err
	}
	settled, err := r.store.Settled(ctx, from.Made)
	if err != nil {
		return err
	}
	if err := r.tell(from, settled); err != nil || r.list {
		return err
	}
	if err := from.After(ctx, settled); err != nil {
		return err
	}
	if err := r.store.RaiseVersions(ctx, r.highest); err != nil {
		return err
	}
	n, err := r.restate(ctx)
	say(r.out.stdout, "told again: %d\n", n)
	r.log.Info("the restored database can be served", "versions_above", r.highest, "events_after", settled, "told_again", n, "lost", len(r.lost))
	return err
}

// restate tells again what is stored in an older version than was told of.
func (r *restored) restate(ctx context.Context) (int, error) {
	service, err := episode.New(ctx, episode.Options{
		Store: r.store, Incoming: validate.New(profiles.Incoming()), Outgoing: validate.New(profiles.Outgoing()),
		Clock: time.Now, Log: r.log, Software: version(),
	})
	if err != nil {
		return 0, err
	}
	var faults []error
	n := 0
	for name, refs := range r.older() {
		if err := service.Restate(ctx, name, refs); err != nil {
			faults = append(faults, fmt.Errorf("episode %q: %w", name, err))
			continue
		}
		n += len(refs)
	}
	return n, errors.Join(faults...)
}

// tell says what was found.
func (r *restored) tell(from *events.Resumption, settled int64) error {
	out := r.out.stdout
	say(out, "events: the database has all up to %d of %s; %d to %d come again\n", settled, events.StreamProcedure, settled+1, from.Last)
	if from.First > settled+1 {
		say(out, "CAUTION: events %d to %d are no longer in the stream; ask their senders\n", settled+1, from.First-1)
	}
	say(out, "versions: numbered on above %d\n", r.highest)
	say(out, "told of, and not in the database as it was told: %d\n", len(r.lost))
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	if len(r.lost) > 0 {
		say(w, "RESOURCE\tTOLD\tSTORED\tTOLD AT\tEPISODE\n")
	}
	for _, l := range r.lost {
		say(w, "%s\t%d\t%s\t%s\t%s\n", l.Reference(), l.Version, l.standing(), l.At.UTC().Format(time.RFC3339), l.Episode)
	}
	return errors.Join(w.Flush(), r.write())
}

// write keeps the change events of what is lost.
func (r *restored) write() (err error) {
	if r.bytes == "" {
		return nil
	}
	f, err := os.OpenFile(r.bytes, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600) // they may be whole records
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	for _, l := range r.lost {
		if _, err := fmt.Fprintf(f, "%s\n", l.Body); err != nil {
			return err
		}
	}
	return nil
}
