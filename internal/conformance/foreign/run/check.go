package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"time"

	"fhirsvc/internal/conformance/foreign"
	"fhirsvc/internal/fault/link"
	"fhirsvc/internal/sandbox/bedside"
)

// patience is how long deliveries may take until both have the same: longer than the longest wait
// after a server was away.
const patience = 90 * time.Second

// began is when the first episode begins.
func began() time.Time { return time.Date(2026, 3, 2, 10, 0, 0, 0, time.UTC) }

// checks are what is tried, one after the other, on one server.
type checks struct {
	options
	folder  string
	server  *foreign.Server
	link    *link.Link // between the service and the server
	sandbox *foreign.Sandbox
	loaded  map[string]bool
	log     *os.File // what both complain of
}

func (c *checks) run(ctx context.Context) error {
	for _, s := range []struct {
		what string
		do   func(context.Context) (string, error)
	}{
		{"the package loads in one transaction, and each resource reads back the same", c.load},
		{"an episode with a bleed, corrections, lost answers and an outage arrives, and is the same", c.episode},
		{"what somebody else changed there is not replaced, until a person says so", c.conflict},
	} {
		began := time.Now()
		found, err := s.do(ctx)
		if err != nil {
			return fmt.Errorf("%s: %w\n%s", s.what, err, complaints(c.log))
		}
		fmt.Printf("general FHIR server  ok  %s: %s (%.1f s)\n", s.what, found, time.Since(began).Seconds())
	}
	return nil
}

func (c *checks) load(ctx context.Context) (found string, err error) {
	c.loaded, err = foreign.Load(ctx, c.server.Base, filepath.Join(c.folder, "package"))
	return fmt.Sprintf("%d resources", len(c.loaded)), err
}

// start starts the sandbox, or starts it anew with what it has.
func (c *checks) start(ctx context.Context) (err error) {
	if c.link == nil {
		if c.link, err = link.New(strings.TrimSuffix(strings.TrimPrefix(c.server.Base, "http://"), "/fhir")); err != nil {
			return err
		}
	}
	args := []string{"--http", c.http, "--nats", c.nats, "--data", filepath.Join(c.folder, "data"), "--clock", "manual"}
	if c.sandbox == nil {
		args = append(args, "--now", began().Format(time.RFC3339))
	}
	c.sandbox, err = foreign.StartSandbox(ctx, c.fhirsvc, c.folder, "http://"+c.link.Addr()+"/fhir", c.log, args...)
	return err
}

func (c *checks) stop() {
	if c.sandbox != nil {
		_ = c.sandbox.Stop() // the check is over
	}
	if c.link != nil {
		c.link.Close()
	}
}

// play plays an episode to its end, and does what is to be done at times of its day.
func (c *checks) play(ctx context.Context, number, bleedAfter int, at ...moment) error {
	client, err := bedside.Dial(c.sandbox.HTTP, c.sandbox.NATS)
	if err != nil {
		return err
	}
	defer client.Close()
	now, err := client.Now(ctx)
	if err != nil {
		return err
	}
	clock := &turned{client: client, began: now, moments: at}
	return bedside.Manner{Clock: clock, BleedAfter: bleedAfter, Out: c.log}.Play(ctx, client, bedside.NewCase(number, "diagnostic", now))
}

func (c *checks) episode(ctx context.Context) (string, error) {
	if err := c.start(ctx); err != nil {
		return "", err
	}
	base := c.sandbox.Base()
	err := c.play(ctx, 1, 2,
		moment{time.Minute, func(ctx context.Context) error {
			_, err := foreign.Register(ctx, base, c.server.Base)
			return err
		}},
		moment{20 * time.Minute, func(ctx context.Context) error { return foreign.Correct(ctx, base, "air") }},
		moment{30 * time.Minute, func(ctx context.Context) error { return foreign.Pause(ctx, base, began().Add(30*time.Minute)) }},
		moment{65 * time.Minute, func(context.Context) error { c.link.Set(link.Swallowing); return nil }},
		moment{80 * time.Minute, func(context.Context) error { c.link.Set(link.Passing); return nil }},
		moment{90 * time.Minute, func(ctx context.Context) error { return foreign.Correct(ctx, base, "error") }},
		moment{130 * time.Minute, func(context.Context) error { c.link.Set(link.Cut); return nil }},
		moment{200 * time.Minute, func(context.Context) error { c.link.Set(link.Passing); return nil }},
		moment{220 * time.Minute, func(ctx context.Context) error { return foreign.Give(ctx, base, began().Add(210*time.Minute)) }},
	)
	if err != nil {
		return "", err
	}
	return c.same(ctx, 1)
}

// same waits until both have the same, with so many plans.
func (c *checks) same(ctx context.Context, plans int) (string, error) {
	for end := time.Now().Add(patience); ; {
		r, err := foreign.Compare(ctx, c.sandbox.Base(), c.server.Base, c.loaded)
		if err != nil {
			return "", err
		}
		if r.Counts["CarePlan"] != plans || r.Counts["Task"] == 0 || r.Counts["Observation"] == 0 {
			r.Faults = append(r.Faults, fmt.Sprintf("want %d plans with what belongs to them, got %s", plans, r))
		}
		if len(r.Faults) == 0 {
			return r.String(), nil
		}
		if time.Now().After(end) {
			return "", fmt.Errorf("%d differences:\n%s", len(r.Faults), strings.Join(r.Faults, "\n"))
		}
		time.Sleep(time.Second)
	}
}

// conflict has somebody write to a copy while the episode goes on.
func (c *checks) conflict(ctx context.Context) (string, error) {
	err := c.play(ctx, 2, 0,
		moment{time.Minute, func(ctx context.Context) error {
			if _, err := foreign.Register(ctx, c.sandbox.Base(), c.server.Base); err != nil {
				return err
			}
			_, err := c.same(ctx, 2)
			return err
		}},
		moment{70 * time.Minute, func(ctx context.Context) error {
			if _, err := c.same(ctx, 2); err != nil { // nothing is under way
				return err
			}
			return foreign.Edit(ctx, c.server.Base, c.loaded)
		}},
	)
	if err != nil {
		return "", err
	}
	held, err := c.refused(ctx)
	if err != nil {
		return "", err
	}
	kept, err := foreign.Edited(ctx, c.server.Base)
	if err != nil || !kept {
		return "", errors.Join(errors.New("what somebody else wrote was replaced"), err)
	}
	if err := c.outbox(ctx, nil, "retry", "--overwrite", held); err != nil {
		return "", err
	}
	if err := c.start(ctx); err != nil {
		return "", err
	}
	found, err := c.same(ctx, 2)
	return held + " was refused as conflict and overwritten; " + found, err
}

// refused waits until the queue is refused for the conflict, stops the sandbox, whose store belongs to
// one process, and gives the queue's name.
func (c *checks) refused(ctx context.Context) (string, error) {
	var list strings.Builder
	for end := time.Now().Add(patience); time.Now().Before(end); {
		time.Sleep(3 * time.Second)
		if err := c.sandbox.Stop(); err != nil {
			return "", err
		}
		list.Reset()
		if err := c.outbox(ctx, &list, "list", "--code", "conflict"); err != nil {
			return "", err
		}
		if lines := strings.Split(list.String(), "\n"); len(lines) == 3 {
			return strings.Fields(lines[1])[0], nil
		}
		if err := c.start(ctx); err != nil {
			return "", err
		}
	}
	return "", fmt.Errorf("nothing is refused: %s", list.String())
}

func (c *checks) outbox(ctx context.Context, out *strings.Builder, verb string, args ...string) error {
	cmd := exec.CommandContext(ctx, c.fhirsvc, append([]string{"outbox", "--data", filepath.Join(c.folder, "data"), verb}, args...)...)
	var said strings.Builder
	cmd.Stderr = &said
	cmd.Stdout = &said
	if out != nil {
		cmd.Stdout = out
	}
	if err := cmd.Run(); err != nil {
		return fmt.Errorf("outbox %s: %w: %s", verb, err, said.String())
	}
	return nil
}
