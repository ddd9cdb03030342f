package foreign

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"time"
)

// stopTime is how long the server has to end.
const stopTime = 10 * time.Second

// Server is a running FHIR server.
type Server struct {
	Base string // such as http://127.0.0.1:8090/fhir

	cmd   *exec.Cmd
	stdin io.Closer
	ended chan struct{}
	err   error // once it ended
}

// Start starts the server that .ci/conformance/prepare built into a folder, on a port of loopback;
// 0 picks a free one. It returns when the server answers. What the server says goes to log. The
// server ends with Stop, with ctx, and with this process.
func Start(ctx context.Context, folder string, port int, log io.Writer) (*Server, error) {
	path := filepath.Join(folder, "classes") + ":" + filepath.Join(folder, "lib", "*")
	cmd := exec.CommandContext(ctx, "java", "-Xmx1g", "-XX:+UseSerialGC", "-XX:TieredStopAtLevel=1", "-Dorg.slf4j.simpleLogger.defaultLogLevel=error",
		"-cp", path, "Server", strconv.Itoa(port))
	cmd.Stderr = log
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true} // an interrupt reaches this program alone, which ends it in order
	stdin, err := cmd.StdinPipe()                         // it ends with this
	if err != nil {
		return nil, err
	}
	stdout, err := cmd.StdoutPipe()
	if err != nil {
		return nil, err
	}
	if err := cmd.Start(); err != nil {
		return nil, err
	}
	s := &Server{cmd: cmd, stdin: stdin, ended: make(chan struct{})}
	lines := bufio.NewScanner(stdout)
	for s.Base == "" && lines.Scan() {
		if url, ok := strings.CutPrefix(lines.Text(), "fhir="); ok {
			s.Base = url
		}
	}
	go func() {
		_, _ = io.Copy(log, stdout)
		s.err = cmd.Wait()
		close(s.ended)
	}()
	if s.Base == "" {
		return nil, fmt.Errorf("the FHIR server did not start: %w", errors.Join(s.Stop(), ctx.Err()))
	}
	return s, nil
}

// Stop ends the server and waits for its end.
func (s *Server) Stop() error {
	_ = s.stdin.Close() // it may have ended
	select {
	case <-s.ended:
		return s.err
	case <-time.After(stopTime):
		_ = s.cmd.Process.Kill()
		<-s.ended
		return errors.New("the FHIR server did not stop")
	}
}
