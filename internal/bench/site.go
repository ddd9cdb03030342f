package main

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"time"

	"github.com/jackc/pgx/v5"

	"fhirsvc/api"
	"fhirsvc/internal/store/postgres"
)

// site is what the measurement stands on: a server for databases, the program, and a folder
// that is removed at the end.
type site struct {
	server     string // URL of a PostgreSQL database from which others can be created
	program    string
	folder     string
	protocols  string
	postmaster int
	databases  []string
}

func newSite(ctx context.Context, server, program string) (*site, error) {
	folder, err := os.MkdirTemp("", "fhirsvc-bench-")
	if err != nil {
		return nil, err
	}
	s := &site{server: server, program: program, folder: folder, protocols: filepath.Join(folder, "protocols")}
	conn, err := pgx.Connect(ctx, server)
	if err != nil {
		return nil, err
	}
	defer conn.Close(ctx) //nolint:errcheck // nothing was written
	s.postmaster = processes()[int(conn.PgConn().PID())]
	return s, s.approve()
}

// approve writes the starter protocols as a site would after its own review.
func (s *site) approve() error {
	if err := os.Mkdir(s.protocols, 0o700); err != nil {
		return err
	}
	for name, body := range approved() {
		if err := os.WriteFile(filepath.Join(s.protocols, filepath.Base(name)), body, 0o600); err != nil {
			return err
		}
	}
	return nil
}

func approved() map[string][]byte {
	protocols := map[string][]byte{}
	for name, body := range api.Protocols() {
		protocols[name] = bytes.Replace(body, []byte(`"status": "draft"`),
			[]byte(`"status": "active", "approvalDate": "2025-01-15", "endorser": [{"name": "Invented cardiology unit"}]`), 1)
	}
	return protocols
}

// database makes a database with this release's schema and gives its URL.
func (s *site) database(ctx context.Context) (string, error) {
	name := fmt.Sprintf("bench_%d_%d", os.Getpid(), len(s.databases))
	if err := s.do(ctx, "CREATE DATABASE "+name); err != nil {
		return "", err
	}
	s.databases = append(s.databases, name)
	u, err := url.Parse(s.server)
	if err != nil {
		return "", err
	}
	u.Path = "/" + name
	return u.String(), postgres.Migrate(ctx, u.String())
}

func (s *site) do(ctx context.Context, statement string) error {
	conn, err := pgx.Connect(ctx, s.server)
	if err != nil {
		return err
	}
	_, err = conn.Exec(ctx, statement)
	return errors.Join(err, conn.Close(ctx))
}

// close removes all that was made.
func (s *site) close() error {
	ctx := context.Background() // also after an interruption
	var errs []error
	for _, name := range s.databases {
		errs = append(errs, s.do(ctx, "DROP DATABASE IF EXISTS "+name+" WITH (FORCE)"))
	}
	return errors.Join(append(errs, os.RemoveAll(s.folder))...)
}

// process is a child that says on a line where it is reached.
type process struct {
	cmd     *exec.Cmd
	address string
}

// start runs a program until it has written a line with the mark, and gives what stands
// between mark and end there.
func start(ctx context.Context, env []string, mark, end, program string, args ...string) (*process, error) {
	cmd := exec.CommandContext(ctx, program, args...)
	cmd.Env = append(os.Environ(), env...)
	cmd.Cancel = func() error { return cmd.Process.Signal(syscall.SIGTERM) }
	cmd.WaitDelay = 20 * time.Second
	pipe, err := cmd.StderrPipe()
	if err != nil {
		return nil, err
	}
	if err := cmd.Start(); err != nil {
		return nil, err
	}
	lines := bufio.NewScanner(pipe)
	var said []string
	for lines.Scan() {
		if _, rest, found := strings.Cut(lines.Text(), mark); found {
			address, _, _ := strings.Cut(rest, end)
			go io.Copy(io.Discard, pipe) //nolint:errcheck // it ends with the process
			return &process{cmd: cmd, address: address}, nil
		}
		said = append(said, lines.Text())
	}
	return nil, fmt.Errorf("%s %s: %w: %s", program, args, cmd.Wait(), strings.Join(said, "\n"))
}

// stop asks the process to end and waits for it.
func (p *process) stop() error {
	if err := p.cmd.Process.Signal(syscall.SIGTERM); err != nil {
		return err
	}
	err := p.cmd.Wait()
	var exit *exec.ExitError
	if errors.As(err, &exit) { // ended by the signal
		return nil
	}
	return err
}

// child starts this program again in another role.
func child(ctx context.Context, args ...string) (*process, error) {
	self, err := os.Executable()
	if err != nil {
		return nil, err
	}
	return start(ctx, nil, "address=", " ", self, args...)
}

// serve starts the service.
func (s *site) serve(ctx context.Context, database, nats string) (*process, error) {
	return start(ctx, []string{
		"FHIRSVC_DATABASE_URL=" + database, "FHIRSVC_NATS_URL=" + nats, "FHIRSVC_PROTOCOLS=" + s.protocols,
		"FHIRSVC_CANONICAL_BASE=https://hospital.example/fhir", "FHIRSVC_AUTHENTICATION=none",
		"FHIRSVC_HTTP_ADDR=127.0.0.1:0", "FHIRSVC_LOG_LEVEL=info",
	}, `"address":"`, `"`, s.program, "serve")
}
