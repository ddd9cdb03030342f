package site

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"fhirsvc/api"
	"fhirsvc/internal/episode"
	"fhirsvc/internal/events"
)

// replicas is how many processes of the service there are.
const replicas = 2

// site is all that the service stands on, and the service: one for many runs, each on a
// database and streams of its own.
type site struct {
	base      string
	binary    string
	source    string         // the commit that it was built from
	kinds     *regexp.Regexp // of faults that are drawn
	protocols string
	authority string // file with the endpoint's certificate
	readers   string // file that names the archive
	database  *database
	cluster   cluster
	endpoint  *endpoint
	archive   archive
	nats      *nats.Conn
	js        jetstream.JetStream
	replicas  []*replica
	name      string // of the run's database
}

// template is a database at this release's schema, which is copied for each run.
const template = "template_fhirsvc"

// setUp makes everything but the runs' own databases.
func (s *site) setUp(disks, careless bool) (err error) {
	s.protocols, s.authority = s.base+"/protocols", s.base+"/authority.pem"
	if err := approve(s.protocols); err != nil {
		return err
	}
	if s.endpoint, err = newEndpoint(s.authority); err != nil {
		return err
	}
	if s.cluster, err = newCluster(s.base, disks, careless); err != nil {
		return err
	}
	if s.database, err = newDatabase(s.base, disks); err != nil {
		return err
	}
	if s.nats, err = s.cluster.dial(); err != nil {
		return err
	}
	if s.js, err = jetstream.New(s.nats); err != nil {
		return err
	}
	if err := s.database.exec(context.Background(), "postgres", "CREATE DATABASE "+template); err != nil {
		return err
	}
	for n := range replicas {
		r, err := newReplica(s, n+1)
		if err != nil {
			return err
		}
		s.replicas = append(s.replicas, r)
	}
	return errors.Join(s.migrate(), s.database.exec(context.Background(), template, witness))
}

// migrate brings the template to the schema with the product's own command.
func (s *site) migrate() error {
	cmd := migrateCommand(s)
	if out, err := cmd.CombinedOutput(); err != nil {
		return fmt.Errorf("migrate: %w: %s", err, out)
	}
	return nil
}

// approve writes the starter protocols as a site would after its own review.
func approve(dir string) error {
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return err
	}
	for name, body := range api.Protocols() {
		body = bytes.Replace(body, []byte(`"status": "draft"`),
			[]byte(`"status": "active", "approvalDate": "2025-01-15", "endorser": [{"name": "Invented cardiology unit"}]`), 1)
		if err := os.WriteFile(filepath.Join(dir, filepath.Base(name)), body, 0o600); err != nil {
			return err
		}
	}
	return nil
}

// begin makes a run's own database and streams and starts the replicas.
func (s *site) begin(ctx context.Context, seed uint64) error {
	s.name = fmt.Sprintf("run_%d", seed)
	err := s.database.exec(ctx, "postgres", "DROP DATABASE IF EXISTS "+s.name+" WITH (FORCE)",
		"CREATE DATABASE "+s.name+" TEMPLATE "+template)
	if err != nil {
		return err
	}
	s.endpoint.begin(seed)
	s.archive.begin(seed, s.endpoint.calm.Load)
	if err := s.streams(ctx); err != nil {
		return err
	}
	for _, r := range s.replicas {
		if err := os.RemoveAll(r.log()); err != nil {
			return err
		}
		r.probes.list = nil
		if err := errors.Join(r.step(0), r.start(s.name)); err != nil {
			return err
		}
	}
	return s.ready(30 * time.Second)
}

// streams deletes what the last run has left: the service makes them anew. A cluster that
// elects its leaders takes a while to do so.
func (s *site) streams(ctx context.Context) error {
	var last error
	err := eventually(45*time.Second, "the cluster deletes its streams", func() bool {
		ctx, cancel := context.WithTimeout(ctx, 3*time.Second)
		defer cancel()
		last = nil
		for _, name := range []string{events.StreamProcedure, events.StreamRejected, events.StreamChanges} {
			if err := s.js.DeleteStream(ctx, name); err != nil && !errors.Is(err, jetstream.ErrStreamNotFound) {
				last = err
				return false
			}
		}
		return events.Prepare(ctx, s.js) == nil
	})
	return errors.Join(err, last)
}

// ready waits until every replica says that it is, and starts those again that had ended
// because nothing was there at their start.
func (s *site) ready(limit time.Duration) error {
	client := newClient(patience * 3)
	for _, r := range s.replicas {
		err := eventually(limit, r.base+" is ready", func() bool {
			if r.process.hasEnded() {
				time.Sleep(200 * time.Millisecond)
				_ = r.start(s.name) // asked again
			}
			status, _, err := client.do(context.Background(), "GET", r.url()+"/readyz", nil, nil)
			return err == nil && status == 200
		})
		if err != nil {
			return fmt.Errorf("%w\n%s", err, tail(r.log(), 10))
		}
	}
	return nil
}

// end stops the run's replicas as their surroundings do.
func (s *site) end(ctx context.Context) error {
	var all error
	for _, r := range s.replicas {
		all = errors.Join(all, r.stop(), r.process.err)
	}
	// Dropped in any case: it may be left from a run that could not end.
	return errors.Join(all, s.database.exec(ctx, "postgres", "DROP DATABASE IF EXISTS "+s.name+" WITH (FORCE)"))
}

func (s *site) close() {
	for _, r := range s.replicas {
		r.close()
	}
	if s.nats != nil {
		s.nats.Close()
	}
	s.cluster.close()
	if s.database != nil && s.database.process != nil {
		s.database.process.kill()
		s.database.disk.close()
	}
	if s.endpoint != nil {
		s.endpoint.Close()
	}
}

// service is the product's own code on the run's database, for what can't be asked from
// outside: that the record gives the state again.
func (s *site) service(ctx context.Context) (*episode.Service, func(), error) {
	return openService(ctx, s.database.url(s.name))
}
