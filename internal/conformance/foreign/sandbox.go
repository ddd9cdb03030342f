package foreign

import (
	"context"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
)

// Name is what the other server is called among the sandbox's destinations.
const Name = "general"

// Sandbox is a running sandbox of the service that delivers to another server.
type Sandbox struct {
	process
	HTTP, NATS string // as it prints them
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
	terminate := func() error { return cmd.Process.Signal(syscall.SIGTERM) }
	cmd.Cancel, cmd.WaitDelay = terminate, stopTime
	cmd.Stderr = log
	s := &Sandbox{process: process{name: "the sandbox", cmd: cmd, ask: func() { _ = terminate() }}}
	err := s.begin(func(line string) (enough bool) {
		switch name, url, _ := strings.Cut(line, "="); name {
		case "http":
			s.HTTP = url
		case "nats":
			s.NATS = url
		}
		return s.NATS != ""
	}, io.Discard)
	if err != nil {
		return nil, err
	}
	return s, nil
}

// Base is where its FHIR interface is.
func (s *Sandbox) Base() string { return s.HTTP + "/fhir" }
