package foreign

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"time"
)

// Name is what the other server is called among the sandbox's destinations.
const Name = "general"

// Sandbox is a running sandbox of the service that delivers to another server.
type Sandbox struct {
	HTTP, NATS string // as it prints them

	cmd   *exec.Cmd
	ended chan struct{}
	err   error // once it ended
}

// StartSandbox starts a program, which is fhirsvc, as a sandbox whose one destination is a server.
// The list of destinations is written to a folder. It returns when the sandbox is ready.
func StartSandbox(ctx context.Context, program, folder, base string, log io.Writer, args ...string) (*Sandbox, error) {
	destinations := filepath.Join(folder, "destinations.json")
	body := fmt.Sprintf("{\"destinations\": [{\"name\": %q, \"base\": %q, \"timeout\": \"5s\"}]}\n", Name, base)
	if err := os.WriteFile(destinations, []byte(body), 0o600); err != nil {
		return nil, err
	}
	cmd := exec.CommandContext(ctx, program, append([]string{"sandbox", "--destinations", destinations}, args...)...)
	cmd.Cancel = func() error { return cmd.Process.Signal(syscall.SIGTERM) }
	cmd.WaitDelay = stopTime
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true} // an interrupt reaches this program alone, which ends it in order
	cmd.Stderr = log
	stdout, err := cmd.StdoutPipe()
	if err != nil {
		return nil, err
	}
	if err := cmd.Start(); err != nil {
		return nil, err
	}
	s := &Sandbox{cmd: cmd, ended: make(chan struct{})}
	lines := bufio.NewScanner(stdout)
	for s.NATS == "" && lines.Scan() {
		switch name, url, _ := strings.Cut(lines.Text(), "="); name {
		case "http":
			s.HTTP = url
		case "nats":
			s.NATS = url
		}
	}
	go func() {
		_, _ = io.Copy(io.Discard, stdout)
		s.err = cmd.Wait()
		close(s.ended)
	}()
	if s.NATS == "" {
		return nil, fmt.Errorf("the sandbox did not start: %w", s.Stop())
	}
	return s, nil
}

// Base is where its FHIR interface is.
func (s *Sandbox) Base() string { return s.HTTP + "/fhir" }

// Stop ends the sandbox and waits for its end.
func (s *Sandbox) Stop() error {
	_ = s.cmd.Process.Signal(syscall.SIGTERM) // it may have ended
	select {
	case <-s.ended:
		return s.err
	case <-time.After(stopTime):
		_ = s.cmd.Process.Kill()
		<-s.ended
		return errors.New("the sandbox did not stop")
	}
}
