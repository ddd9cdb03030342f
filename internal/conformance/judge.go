package conformance

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"syscall"
	"time"

	"fhirsvc/internal/fhir/validate"
)

// Judgement is what one validator said of all cases, and what it cost.
type Judgement struct {
	Name     string // as in the report's table
	Verdicts []Verdict
	Took     time.Duration // from start to last verdict, start-up included
	Memory   int64         // largest resident set in bytes, 0 when not measured
}

// Ours judges with the project's validator: what the service writes by the profiles that
// its options require, all else by R4 and the profiles that it claims.
func Ours(outgoing validate.Options, cases []Case) Judgement {
	written := validate.New(validate.Options{Guide: outgoing.Guide, Require: outgoing.Require})
	general := validate.New(validate.Options{Guide: outgoing.Guide})
	start := time.Now()
	out := Judgement{Name: OursName, Verdicts: make([]Verdict, len(cases))}
	for i, c := range cases {
		out.Verdicts[i] = Verdict{ID: c.ID}
		v := general
		if c.Class == Stored {
			v = written
		}
		for _, issue := range v.Resource(c.Body) {
			out.Verdicts[i].Issues = append(out.Verdicts[i].Issues, Issue{
				string(issue.Severity), issue.Expression, issue.Rule, issue.Details,
			})
		}
	}
	out.Took = time.Since(start)
	return out
}

// Names of the two that must agree.
const (
	OursName      = "fhirsvc"
	ReferenceName = "reference (Java)"
)

// Program is a validator in a process of its own.
type Program struct {
	Name    string
	Command []string
	Env     []string // beside what is inherited
}

// Judge runs the program over the cases. What it wrote to standard error is part of the
// error when it fails.
func (p Program) Judge(ctx context.Context, cases []Case) (Judgement, error) {
	start := time.Now()
	cmd := exec.CommandContext(ctx, p.Command[0], p.Command[1:]...)
	cmd.Env = append(os.Environ(), p.Env...)
	complaints, err := os.CreateTemp("", "conformance-")
	if err != nil {
		return Judgement{}, err
	}
	defer os.Remove(complaints.Name()) //nolint:errcheck // a temporary file
	defer complaints.Close()           //nolint:errcheck // only read
	cmd.Stderr = complaints
	got, err := talk(cmd, cases)
	if err != nil {
		said, _ := os.ReadFile(complaints.Name())
		return Judgement{}, fmt.Errorf("%s: %w\n%.4000s", p.Name, err, said)
	}
	out := Judgement{Name: p.Name, Verdicts: got, Took: time.Since(start)}
	if usage, ok := cmd.ProcessState.SysUsage().(*syscall.Rusage); ok {
		out.Memory = usage.Maxrss << 10 // Linux counts in kilobytes
	}
	return out, nil
}

// talk runs a command, asking while it answers.
func talk(cmd *exec.Cmd, cases []Case) ([]Verdict, error) {
	in, err := cmd.StdinPipe()
	if err != nil {
		return nil, err
	}
	answers, err := cmd.StdoutPipe()
	if err != nil {
		return nil, err
	}
	if err := cmd.Start(); err != nil {
		return nil, err
	}
	asked := make(chan error, 1)
	go func() {
		err := ask(in, cases)
		asked <- errors.Join(err, in.Close())
	}()
	got, err := verdicts(answers, cases)
	if err != nil {
		_, _ = io.Copy(io.Discard, answers) // let it end by itself
	}
	return got, errors.Join(err, <-asked, cmd.Wait())
}
