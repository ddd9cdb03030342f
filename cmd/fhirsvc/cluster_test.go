package main

import (
	"fmt"
	"net"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"strconv"
	"testing"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"
)

// cluster is a PostgreSQL of a test's own that archives its log.
type cluster struct {
	testing.TB
	dir  string
	port int
}

// newCluster starts one. PostgreSQL refuses to run as root, so under root it is the user
// postgres's.
func newCluster(t *testing.T) *cluster {
	t.Helper()
	dir, err := os.MkdirTemp("/var/tmp", "fhirsvc-cluster-") //nolint:usetesting // PostgreSQL's user can't reach a folder of the test's
	require.NoError(t, err)
	t.Cleanup(func() { _ = os.RemoveAll(dir) })
	free, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	c := &cluster{TB: t, dir: dir, port: free.Addr().(*net.TCPAddr).Port}
	require.NoError(t, free.Close())
	require.NoError(t, os.Mkdir(filepath.Join(dir, "log"), 0o700))
	c.giveAway(dir)
	c.giveAway(filepath.Join(dir, "log"))
	c.do("initdb", "--pgdata="+c.data("first"), "--username=fhirsvc", "--auth=trust", "--encoding=UTF8", "--locale=C", "--no-instructions")
	c.set("first", fmt.Sprintf("listen_addresses = '127.0.0.1'\nunix_socket_directories = ''\narchive_mode = on\narchive_command = 'cp %%p %s/%%f'\n", filepath.Join(dir, "log")))
	c.start("first")
	c.ask("postgres", `CREATE DATABASE ward`)
	return c
}

func (c *cluster) data(name string) string { return filepath.Join(c.dir, name) }

func (c *cluster) giveAway(path string) {
	if os.Geteuid() != 0 {
		return
	}
	owner, err := user.Lookup("postgres")
	require.NoError(c, err)
	uid, err := strconv.Atoi(owner.Uid)
	require.NoError(c, err)
	require.NoError(c, os.Chown(path, uid, -1))
}

// do runs one of PostgreSQL's programs as the owner.
func (c *cluster) do(name string, args ...string) {
	c.Helper()
	command := append([]string{postgresTool(c, name)}, args...)
	if os.Geteuid() == 0 {
		command = append([]string{"runuser", "-u", "postgres", "--"}, command...)
	}
	run := exec.Command(command[0], command[1:]...)
	run.Dir = "/"
	out, err := run.CombinedOutput()
	require.NoError(c, err, "%s: %s", name, out)
}

// set adds to the configuration of one of its data folders.
func (c *cluster) set(name, text string) {
	c.Helper()
	f, err := os.OpenFile(filepath.Join(c.data(name), "postgresql.conf"), os.O_APPEND|os.O_WRONLY, 0)
	require.NoError(c, err)
	_, err = f.WriteString(text)
	require.NoError(c, err)
	require.NoError(c, f.Close())
}

func (c *cluster) start(name string) {
	c.Helper()
	c.do("pg_ctl", "start", "-w", "-t", "60", "-D", c.data(name), "-l", filepath.Join(c.dir, name+".log"), "-o", fmt.Sprintf("-p %d", c.port))
	c.Cleanup(func() { c.stop(name) })
}

// stop ends it as a crash would, if it runs.
func (c *cluster) stop(name string) {
	if _, err := os.Stat(filepath.Join(c.data(name), "postmaster.pid")); err == nil {
		c.do("pg_ctl", "stop", "-w", "-m", "immediate", "-D", c.data(name))
	}
}

func (c *cluster) url(database string) string {
	return fmt.Sprintf("postgres://fhirsvc@127.0.0.1:%d/%s?sslmode=disable", c.port, database)
}

// ask runs one statement and gives its one text, if it has one.
func (c *cluster) ask(database, sql string) (text string) {
	c.Helper()
	conn, err := pgx.Connect(c.Context(), c.url(database))
	require.NoError(c, err)
	defer conn.Close(c.Context()) //nolint:errcheck // it has told
	rows, err := conn.Query(c.Context(), sql)
	require.NoError(c, err)
	for rows.Next() {
		require.NoError(c, rows.Scan(&text))
	}
	require.NoError(c, rows.Err())
	return text
}

// archive waits until all that was committed is in the archive.
func (c *cluster) archive() {
	c.Helper()
	file := c.ask("ward", `SELECT pg_walfile_name(pg_switch_wal())`)
	require.Eventually(c, func() bool {
		return c.ask("ward", `SELECT coalesce(last_archived_wal, '') FROM pg_stat_archiver`) >= file
	}, eventually, tick)
}

// recover starts from a base backup and the archived log, up to a named point.
func (c *cluster) recover(name, point string) {
	c.Helper()
	c.set(name, fmt.Sprintf("restore_command = 'cp %s/%%f %%p'\nrecovery_target_name = '%s'\nrecovery_target_action = 'promote'\n", filepath.Join(c.dir, "log"), point))
	signal := filepath.Join(c.data(name), "recovery.signal")
	require.NoError(c, os.WriteFile(signal, nil, 0o600))
	c.giveAway(signal)
	c.start(name)
	require.Eventually(c, func() bool { return c.ask("ward", `SELECT pg_is_in_recovery()::text`) == "false" }, eventually, tick)
}
