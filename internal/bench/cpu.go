package main

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"golang.org/x/sys/unix"
)

// usage is processor time of the processes that take part, user and system together.
type usage struct {
	database time.Duration // PostgreSQL's server processes that live
	service  time.Duration
	broker   time.Duration
	client   time.Duration // this process
}

func (u usage) since(before usage) usage {
	return usage{
		database: u.database - before.database, service: u.service - before.service,
		broker: u.broker - before.broker, client: u.client - before.client,
	}
}

func (u usage) and(v usage) usage {
	return usage{database: u.database + v.database, service: u.service + v.service, broker: u.broker + v.broker, client: u.client + v.client}
}

func (u usage) all() time.Duration { return u.database + u.service + u.broker + u.client }

// meter reads processor time from Linux's /proc. A zero pid is not looked at.
type meter struct{ postmaster, service, broker int }

func (m meter) read() usage {
	u := usage{service: spent(m.service), broker: spent(m.broker), client: spent(os.Getpid())}
	for _, pid := range family(m.postmaster) {
		u.database += spent(pid)
	}
	return u
}

// family is the database server's processes: the first one, whose later children inherit, and
// those that are there; none for 0.
func family(postmaster int) (pids []int) {
	if postmaster == 0 {
		return nil
	}
	for pid, parent := range processes() {
		if pid == postmaster || parent == postmaster {
			pids = append(pids, pid)
		}
	}
	return pids
}

// processes gives the parent of every process.
func processes() map[int]int {
	parents := map[int]int{}
	folders, err := filepath.Glob("/proc/[0-9]*")
	if err != nil {
		panic(err) // the pattern is ours
	}
	for _, f := range folders {
		pid, err := strconv.Atoi(filepath.Base(f))
		if err != nil {
			continue
		}
		if fields := stat(pid); len(fields) > 1 {
			parents[pid], _ = strconv.Atoi(fields[1])
		}
	}
	return parents
}

// stat gives the fields of /proc/PID/stat from the state on (proc(5)); nil when it is gone.
func stat(pid int) []string {
	body, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	if err != nil {
		return nil
	}
	_, rest, _ := strings.Cut(string(body[bytes.LastIndexByte(body, ')'):]), " ")
	return strings.Fields(rest)
}

// ticks is how many clock ticks /proc counts in a second: USER_HZ, 100 on every Linux that
// Go runs on.
const ticks = 100

// spent gives the processor time of a process; 0 when it is gone.
func spent(pid int) time.Duration {
	if pid == os.Getpid() {
		var r unix.Rusage
		if err := unix.Getrusage(unix.RUSAGE_SELF, &r); err == nil {
			return time.Duration(r.Utime.Nano() + r.Stime.Nano())
		}
	}
	fields := stat(pid)
	if pid == 0 || len(fields) < 13 {
		return 0
	}
	user, _ := strconv.ParseInt(fields[11], 10, 64)
	system, _ := strconv.ParseInt(fields[12], 10, 64)
	return time.Duration(user+system) * time.Second / ticks
}
