package main

import (
	"context"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"strings"
	"syscall"
	"time"

	"fhirsvc/internal/conformance/foreign"
)

// limit is how long the check may take at most.
const limit = 10 * time.Minute

type options struct {
	java, fhirsvc string
	port          int
	http, nats    string
	check         bool
}

func main() {
	var o options
	flag.StringVar(&o.java, "java", ".build/conformance/server", "`folder` with the built FHIR server")
	flag.StringVar(&o.fhirsvc, "fhirsvc", "bin/fhirsvc", "the `program`")
	flag.IntVar(&o.port, "port", 0, "of the FHIR server; 0 picks a free one")
	flag.StringVar(&o.http, "http", "127.0.0.1:0", "`address` of the sandbox's FHIR REST; port 0 picks a free one")
	flag.StringVar(&o.nats, "nats", "127.0.0.1:0", "`address` of the sandbox's broker; port 0 picks a free one")
	flag.BoolVar(&o.check, "check", false, "try it out, and end")
	flag.Parse()
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	if err := run(ctx, o); err != nil {
		fmt.Fprintln(os.Stderr, "sandbox-fhir:", err)
		os.Exit(1)
	}
}

func run(ctx context.Context, o options) (err error) {
	folder, err := os.MkdirTemp("", "fhirsvc-foreign-")
	if err != nil {
		return err
	}
	defer os.RemoveAll(folder) //nolint:errcheck // a temporary folder
	pack := filepath.Join(folder, "package")
	if out, err := exec.CommandContext(ctx, o.fhirsvc, "conformance", "-o", pack).CombinedOutput(); err != nil {
		return fmt.Errorf("write the package: %w: %s", err, out)
	}
	if !o.check {
		if err := show(ctx, o, folder); ctx.Err() == nil {
			return err
		}
		return nil // it was ended, at whatever it was
	}
	ctx, cancel := context.WithTimeout(ctx, limit)
	defer cancel()
	log, err := os.Create(filepath.Join(folder, "log"))
	if err != nil {
		return err
	}
	defer log.Close() //nolint:errcheck // a temporary file
	server, err := foreign.Start(ctx, o.java, o.port, log)
	if err != nil {
		return err
	}
	defer server.Stop() //nolint:errcheck // it holds nothing
	c := &checks{options: o, folder: folder, server: server, log: log}
	defer c.stop()
	return c.run(ctx)
}

// complaints are the last things in a log that a person may have to look at.
func complaints(log *os.File) string {
	const most = 20
	body, _ := os.ReadFile(log.Name()) // there may be none
	var lines []string
	for line := range strings.Lines(string(body)) {
		if !strings.Contains(line, `"level":"INFO"`) {
			lines = append(lines, line)
		}
	}
	return strings.Join(lines[max(0, len(lines)-most):], "")
}
