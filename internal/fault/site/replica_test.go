package site

import (
	"context"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"strings"
	"sync"
	"syscall"
	"time"

	"fhirsvc/internal/fault/link"
)

// replica is one process of the service, with a proxy to each server that it needs.
type replica struct {
	binary  string
	base    string // where its files are
	port    int
	env     []string
	store   *link.Link
	brokers []*link.Link
	process *process
	probes  probes
}

func newReplica(s *site, n int) (*replica, error) {
	r := &replica{binary: s.binary, base: fmt.Sprintf("%s/replica-%d", s.base, n), port: freePort()}
	var err error
	if r.store, err = link.New(address(s.database.port)); err != nil {
		return nil, err
	}
	var urls []string
	for _, b := range s.cluster {
		p, err := link.New(b.addr())
		if err != nil {
			return nil, err
		}
		r.brokers = append(r.brokers, p)
		urls = append(urls, "nats://"+p.Addr())
	}
	r.env = []string{
		"PATH=" + os.Getenv("PATH"), "TMPDIR=" + s.base, "SSL_CERT_FILE=" + s.authority,
		"FHIRSVC_NATS_URL=" + strings.Join(urls, ","), "FHIRSVC_PROTOCOLS=" + s.protocols,
		"FHIRSVC_CANONICAL_BASE=https://hospital.example/fhir", "FHIRSVC_AUTHENTICATION=none",
		"FHIRSVC_HTTP_ADDR=" + address(r.port), "FHIRSVC_SHUTDOWN_TIMEOUT=2s",
		"FHIRSVC_DESTINATIONS=" + s.readers, "FHIRSVC_SUBSCRIPTION_ENDPOINTS=" + s.endpoint.URL + "/", clockFile + "=" + r.clock(),
	}
	return r, nil
}

func (r *replica) url() string   { return "http://" + address(r.port) }
func (r *replica) clock() string { return r.base + ".clock" }
func (r *replica) log() string   { return r.base + ".log" }

// start starts the process on a database. It does not wait.
func (r *replica) start(name string) error {
	cmd := exec.Command(r.binary, "serve")
	cmd.Env = append(r.env, "FHIRSVC_DATABASE_URL="+urlOf(r.store.Addr(), name))
	var err error
	r.process, err = launch(r.log(), cmd)
	return err
}

// stop ends it as its surroundings do, and wants that to be in time. How it ended is in
// process.err: one that was still starting may complain.
func (r *replica) stop() error {
	r.process.signal(syscall.SIGTERM)
	select {
	case <-r.process.ended:
		return nil
	case <-time.After(6 * time.Second): // what it was given, and what a lame machine may take
		r.process.kill()
		return fmt.Errorf("a replica does not stop within its time")
	}
}

func (r *replica) close() {
	if r.process != nil {
		r.process.kill()
	}
	r.store.Close()
	for _, b := range r.brokers {
		b.Close()
	}
}

// step turns the clock by so much from the machine's.
func (r *replica) step(d time.Duration) error {
	next := r.clock() + ".next"
	if err := os.WriteFile(next, []byte(d.String()), 0o600); err != nil {
		return err
	}
	return os.Rename(next, r.clock())
}

// probe is one question whether the replica is ready.
type probe struct {
	asked, told time.Time
	ready       bool
	able        bool // to reach its database, which is what due times need
}

// probes are kept for the checker.
type probes struct {
	mu   sync.Mutex
	list []probe
}

// patience is how long a probe waits: what takes longer is not there.
const patience = 300 * time.Millisecond

// watch asks again and again whether the replica is ready, until ctx ends.
func (r *replica) watch(ctx context.Context) {
	client := &http.Client{Timeout: patience}
	defer client.CloseIdleConnections()
	for ctx.Err() == nil {
		p := probe{asked: time.Now()}
		if resp, err := client.Get(r.url() + "/readyz"); err == nil {
			body, _ := io.ReadAll(resp.Body)
			resp.Body.Close()
			p.ready = resp.StatusCode == http.StatusOK
			p.able = p.ready || strings.Contains(string(body), "broker")
		}
		p.told = time.Now()
		r.probes.mu.Lock()
		r.probes.list = append(r.probes.list, p)
		r.probes.mu.Unlock()
		time.Sleep(40 * time.Millisecond)
	}
}
