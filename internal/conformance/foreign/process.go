package foreign

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"os/exec"
	"syscall"
	"time"
)

// stopTime is how long a process has to end.
const stopTime = 10 * time.Second

// process is a program that says how it is reached, and then goes on until it is stopped.
type process struct {
	name  string
	cmd   *exec.Cmd
	ask   func() // it to end
	ended chan struct{}
	err   error // once it ended
}

// begin starts a program and returns when it has said enough, a line at a time; what it says
// afterwards goes to rest.
func (p *process) begin(said func(line string) (enough bool), rest io.Writer) error {
	p.ended = make(chan struct{})
	p.cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true} // an interrupt reaches this program alone, which ends it in order
	stdout, err := p.cmd.StdoutPipe()
	if err != nil {
		return err
	}
	if err := p.cmd.Start(); err != nil {
		return err
	}
	lines := bufio.NewScanner(stdout)
	enough := false
	for !enough && lines.Scan() {
		enough = said(lines.Text())
	}
	go func() {
		_, _ = io.Copy(rest, stdout)
		p.err = p.cmd.Wait()
		close(p.ended)
	}()
	if !enough {
		return fmt.Errorf("%s did not start: %w", p.name, p.Stop())
	}
	return nil
}

// Stop ends it and waits for its end.
func (p *process) Stop() error {
	p.ask() // it may have ended
	select {
	case <-p.ended:
		return p.err
	case <-time.After(stopTime):
		_ = p.cmd.Process.Kill()
		<-p.ended
		return errors.New(p.name + " did not stop")
	}
}
