package site

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"slices"
	"strconv"
	"syscall"
	"time"

	"github.com/jackc/pgx/v5"
)

// database is a PostgreSQL server of our own, with its disk.
type database struct {
	disk    *disk
	bin     string
	port    int
	log     string
	who     *syscall.Credential // nil: us
	clock   string              // file with its clock's distance from the machine's; "" if it can't be turned
	process *process
}

// serverFolder finds the newest server: the one on the PATH, else Debian's.
func serverFolder() (string, error) {
	if path, err := exec.LookPath("pg_ctl"); err == nil {
		path, err = filepath.EvalSymlinks(path)
		return filepath.Dir(path), err
	}
	found, err := filepath.Glob("/usr/lib/postgresql/*/bin/postgres")
	if err != nil || len(found) == 0 {
		return "", errors.New("no PostgreSQL server found; 'make fault' brings one")
	}
	slices.Sort(found)
	return filepath.Dir(found[len(found)-1]), nil
}

// newDatabase makes a cluster and starts it. PostgreSQL refuses to run as root.
func newDatabase(base string, disks bool) (*database, error) {
	bin, err := serverFolder()
	if err != nil {
		return nil, err
	}
	d := &database{bin: bin, port: freePort(), log: base + "/postgres.log"}
	uid, gid := os.Getuid(), os.Getgid()
	if uid == 0 {
		if d.who, err = credential("postgres"); err != nil {
			return nil, err
		}
		uid, gid = int(d.who.Uid), int(d.who.Gid)
	}
	if d.disk, err = newDisk(base, "postgres", disks, 640, uid, gid); err != nil {
		return nil, err
	}
	if err := errors.Join(d.initialize(), d.disk.sync()); err != nil {
		return nil, err
	}
	if turner() != "" {
		d.clock = base + "/postgres.clock"
		if err := d.step(0); err != nil {
			return nil, err
		}
	}
	return d, d.start()
}

// turner is the library that gives a program another clock (libfaketime of Debian, "" where
// it is not installed).
func turner() string {
	found, err := filepath.Glob("/usr/lib/*/faketime/libfaketime.so.1")
	if err != nil || len(found) == 0 {
		return ""
	}
	return found[0]
}

// step turns the server's clock by so much from the machine's, of all its processes at once.
func (d *database) step(by time.Duration) error {
	aside := d.clock + ".new"
	if err := os.WriteFile(aside, fmt.Appendf(nil, "%+.3f\n", by.Seconds()), 0o644); err != nil {
		return err
	}
	return os.Rename(aside, d.clock)
}

func credential(name string) (*syscall.Credential, error) {
	u, err := user.Lookup(name)
	if err != nil {
		return nil, err
	}
	uid, err := strconv.ParseUint(u.Uid, 10, 32)
	if err != nil {
		return nil, err
	}
	gid, err := strconv.ParseUint(u.Gid, 10, 32)
	return &syscall.Credential{Uid: uint32(uid), Gid: uint32(gid)}, err
}

func (d *database) data() string { return d.disk.dir + "/data" }

func (d *database) command(program string, args ...string) *exec.Cmd {
	cmd := exec.Command(filepath.Join(d.bin, program), args...)
	cmd.Dir, cmd.Env = "/", []string{"PATH=" + os.Getenv("PATH"), "LC_ALL=C", "TZ=UTC"}
	if d.who != nil {
		cmd.SysProcAttr = &syscall.SysProcAttr{Credential: d.who}
	}
	return cmd
}

// initialize makes the cluster: small, since its disk is, and durable.
func (d *database) initialize() error {
	out, err := d.command("initdb", "-D", d.data(), "--username=fhirsvc", "--auth=trust", "--encoding=UTF8", "--locale=C",
		"--no-instructions", "--data-checksums").CombinedOutput()
	if err != nil {
		return fmt.Errorf("initdb: %w: %s", err, out)
	}
	const settings = `
listen_addresses = '127.0.0.1'
unix_socket_directories = ''
fsync = on
synchronous_commit = on
full_page_writes = on
max_wal_size = 96MB
min_wal_size = 32MB
shared_buffers = 64MB
max_connections = 100
dynamic_shared_memory_type = mmap
`
	f, err := os.OpenFile(d.data()+"/postgresql.conf", os.O_APPEND|os.O_WRONLY, 0)
	if err != nil {
		return err
	}
	_, err = f.WriteString(settings)
	return errors.Join(err, f.Close())
}

// start starts the server, as often as it takes, and waits until it answers.
func (d *database) start() error {
	for range 20 {
		cmd := d.command("postgres", "-D", d.data(), "-p", strconv.Itoa(d.port))
		if d.clock != "" { // what waits goes by the machine's monotonic clock, which never steps
			cmd.Env = append(cmd.Env, "LD_PRELOAD="+turner(), "FAKETIME_TIMESTAMP_FILE="+d.clock,
				"FAKETIME_NO_CACHE=1", "FAKETIME_DONT_FAKE_MONOTONIC=1", "NO_FAKE_STAT=1")
		}
		p, err := launch(d.log, cmd)
		if err != nil {
			return err
		}
		d.process = p
		up := false
		err = eventually(30*time.Second, "PostgreSQL answers", func() bool {
			up = d.answers()
			return up || p.hasEnded()
		})
		if up || err != nil {
			return err
		}
		time.Sleep(100 * time.Millisecond) // what is left of the last one
	}
	return fmt.Errorf("PostgreSQL does not start:\n%s", tail(d.log, 20))
}

func (d *database) answers() bool {
	ctx, cancel := context.WithTimeout(context.Background(), time.Second)
	defer cancel()
	conn, err := pgx.Connect(ctx, d.url("postgres"))
	if err != nil {
		return false
	}
	defer conn.Close(ctx) //nolint:errcheck // it has answered
	return conn.Ping(ctx) == nil
}

func (d *database) url(name string) string { return urlOf(address(d.port), name) }

func urlOf(addr, name string) string {
	return fmt.Sprintf("postgres://fhirsvc@%s/%s?sslmode=disable", addr, name)
}

// exec runs statements, one after the other.
func (d *database) exec(ctx context.Context, name string, statements ...string) error {
	conn, err := pgx.Connect(ctx, d.url(name))
	if err != nil {
		return err
	}
	defer conn.Close(ctx) //nolint:errcheck // done with it
	for _, s := range statements {
		if _, err := conn.Exec(ctx, s); err != nil {
			return fmt.Errorf("%.60s: %w", s, err)
		}
	}
	return nil
}

// witness writes down in the database, within each change of an episode, when it became due
// and when that was replaced: by the clock that says what is due.
const witness = `
CREATE TABLE witness (episode text, version bigint, due timestamptz, at timestamptz DEFAULT clock_timestamp());
CREATE FUNCTION witness() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
  INSERT INTO witness (episode, version, due) VALUES (NEW.id, NEW.version, NEW.due);
  RETURN NEW;
END $$;
CREATE TRIGGER witness_made AFTER INSERT ON episode FOR EACH ROW EXECUTE FUNCTION witness();
CREATE TRIGGER witness_changed AFTER UPDATE ON episode FOR EACH ROW
  WHEN (NEW.version <> OLD.version) EXECUTE FUNCTION witness();
`
