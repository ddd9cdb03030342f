package site

import (
	"fmt"
	"math/rand/v2"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"time"
)

// process is a child with its output in a file.
type process struct {
	cmd   *exec.Cmd
	ended chan struct{}
	err   error // once ended
}

// launch starts a command that writes to the log. It dies with us, whatever ends us.
func launch(log string, cmd *exec.Cmd) (*process, error) {
	out, err := os.OpenFile(log, os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	if err != nil {
		return nil, err
	}
	defer out.Close() //nolint:errcheck // the child has its own
	cmd.Stdout, cmd.Stderr = out, out
	if cmd.SysProcAttr == nil {
		cmd.SysProcAttr = &syscall.SysProcAttr{}
	}
	cmd.SysProcAttr.Pdeathsig = syscall.SIGKILL
	if err := cmd.Start(); err != nil {
		return nil, err
	}
	p := &process{cmd: cmd, ended: make(chan struct{})}
	go func() {
		defer close(p.ended)
		p.err = cmd.Wait()
	}()
	return p, nil
}

// family gives the process and its children, which PostgreSQL has one of for each connection.
func (p *process) family() []int {
	pids := []int{p.cmd.Process.Pid}
	stats, err := filepath.Glob("/proc/[0-9]*/stat")
	if err != nil {
		return pids
	}
	for _, file := range stats {
		text, err := os.ReadFile(file)
		if err != nil {
			continue // it has ended meanwhile
		}
		pid, rest, _ := strings.Cut(string(text), " ")
		fields := strings.Fields(rest[strings.LastIndex(rest, ")")+1:])
		if len(fields) < 2 || fields[0] == "Z" || fields[1] != strconv.Itoa(pids[0]) {
			continue
		}
		if n, err := strconv.Atoi(pid); err == nil {
			pids = append(pids, n)
		}
	}
	return pids
}

// signal tells the process and its children.
func (p *process) signal(s syscall.Signal) {
	for _, pid := range p.family() {
		_ = syscall.Kill(pid, s) // it may have ended
	}
}

// kill ends the process and its children between two instructions, and waits for their end.
func (p *process) kill() {
	family := p.family()
	for _, pid := range family {
		_ = syscall.Kill(pid, syscall.SIGKILL)
	}
	<-p.ended
	for _, pid := range family[1:] {
		for alive(pid) {
			time.Sleep(2 * time.Millisecond)
		}
	}
}

// alive is false for what has ended, and for what nobody has asked about its end.
func alive(pid int) bool {
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	return err == nil && !strings.Contains(string(text), ") Z ")
}

func (p *process) hasEnded() bool {
	select {
	case <-p.ended:
		return true
	default:
		return false
	}
}

// freePort gives a port of loopback that nobody listens on, below those that the kernel
// lends out.
func freePort() int {
	for {
		port := 15000 + rand.IntN(15000)
		l, err := net.Listen("tcp", address(port))
		if err == nil && l.Close() == nil {
			return port
		}
	}
}

func address(port int) string { return "127.0.0.1:" + strconv.Itoa(port) }

// tail gives the last lines of a log that complain.
func tail(log string, n int) string {
	text, err := os.ReadFile(log)
	if err != nil {
		return err.Error()
	}
	var lines []string
	for line := range strings.Lines(string(text)) {
		if !strings.Contains(line, `"level":"INFO"`) {
			lines = append(lines, line)
		}
	}
	return strings.Join(lines[max(0, len(lines)-n):], "")
}

// eventually waits until it is so; the error says what was waited for.
func eventually(limit time.Duration, what string, so func() bool) error {
	for end := time.Now().Add(limit); time.Now().Before(end); time.Sleep(10 * time.Millisecond) {
		if so() {
			return nil
		}
	}
	return fmt.Errorf("not within %s: %s", limit, what)
}
