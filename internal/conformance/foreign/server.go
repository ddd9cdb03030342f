package foreign

import (
	"context"
	"errors"
	"io"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
)

// Server is a running FHIR server.
type Server struct {
	process
	Base string // such as http://127.0.0.1:8090/fhir
}

// Start starts the server that .ci/conformance/prepare built into a folder, on a port of loopback;
// 0 picks a free one. It returns when the server answers. What the server says goes to log. The
// server ends with Stop, with ctx, and with this process.
func Start(ctx context.Context, folder string, port int, log io.Writer) (*Server, error) {
	path := filepath.Join(folder, "classes") + ":" + filepath.Join(folder, "lib", "*")
	cmd := exec.CommandContext(ctx, "java", "-Xmx1g", "-XX:+UseSerialGC", "-XX:TieredStopAtLevel=1", "-Dorg.slf4j.simpleLogger.defaultLogLevel=error",
		"-cp", path, "Server", strconv.Itoa(port))
	cmd.Stderr = log
	stdin, err := cmd.StdinPipe() // it ends with this
	if err != nil {
		return nil, err
	}
	s := &Server{process: process{name: "the FHIR server", cmd: cmd, ask: func() { _ = stdin.Close() }}}
	err = s.begin(func(line string) (enough bool) {
		s.Base, enough = strings.CutPrefix(line, "fhir=")
		return enough
	}, log)
	if err != nil {
		return nil, errors.Join(err, ctx.Err())
	}
	return s, nil
}
