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

// Ours judges with the project's validator as it stands in the service.
func Ours(v *validate.Validator, cases []Case) Judgement {
	start := time.Now()
	out := Judgement{Name: OursName, Verdicts: make([]Verdict, len(cases))}
	for i, c := range cases {
		out.Verdicts[i] = Verdict{ID: c.ID}
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
	Longest int      // cases longer than this many bytes are not given to it; 0 means no limit
}

// Judge runs the program over the cases. What it wrote to standard error is part of the
// error when it fails.
func (p Program) Judge(ctx context.Context, cases []Case) (Judgement, error) {
	given := cases
	if p.Longest > 0 {
		given = nil
		for _, c := range cases {
			if len(c.Body) <= p.Longest {
				given = append(given, c)
			}
		}
	}
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
	got, err := talk(cmd, given)
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
