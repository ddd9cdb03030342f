package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"fhirsvc/internal/conformance/foreign"
)

const (
	// look is how often the FHIR server is asked for what has come.
	look = time.Second
	// arrival is how long the first resources may take, and ending a played episode.
	arrival = time.Minute
	ending  = 5 * time.Minute
	// open asks for what is to be done for a patient.
	open = "Task?status=ready,in-progress,on-hold,draft&_count=50&patient="
)

// show starts the FHIR server and the sandbox, tells what comes, and stays until ctx ends.
func show(ctx context.Context, o options, folder string) error {
	fmt.Println("The FHIR server starts; that takes half a minute.")
	server, err := foreign.Start(ctx, o.java, o.port, os.Stderr)
	if err != nil {
		return err
	}
	defer server.Stop() //nolint:errcheck // it holds nothing
	loaded, err := foreign.Load(ctx, server.Base, filepath.Join(folder, "package"))
	if err != nil {
		return err
	}
	log, err := os.Create(filepath.Join(folder, "log"))
	if err != nil {
		return err
	}
	defer log.Close() //nolint:errcheck // a temporary file
	sandbox, err := foreign.StartSandbox(ctx, o.fhirsvc, folder, server.Base, log, "--play", "--http", o.http, "--nats", o.nats)
	if err != nil {
		return err
	}
	defer sandbox.Stop() //nolint:errcheck // what it has is invented
	fmt.Printf(`
FHIR server  %s   HAPI FHIR, in memory, with the %d resources of our package
fhirsvc      %s   a sandbox that plays an invented episode, five of its minutes
                                          a second, and delivers it to the FHIR server
`, server.Base, len(loaded), sandbox.Base())
	patient, err := tell(ctx, sandbox, server, loaded)
	if err != nil {
		return fmt.Errorf("%w\n%s", err, complaints(log))
	}
	fmt.Printf(`
Try the FHIR server; all stays up until Ctrl-C, and is forgotten then.

  curl '%[1]s/CarePlan?patient=%[2]s&_pretty=true'
  curl '%[1]s/Task?patient=%[2]s&code=release-step&_pretty=true'
  curl '%[1]s/Observation?patient=%[2]s&code=access-site-bleeding&_sort=-date&_pretty=true'
`, server.Base, patient)
	<-ctx.Done()
	return nil
}

// tell registers the patient at the FHIR server, prints the Tasks that come, and at the end of the
// episode whether both have the same. It gives who the patient is there.
func tell(ctx context.Context, sandbox *foreign.Sandbox, server *foreign.Server, loaded map[string]bool) (patient string, err error) {
	err = until(ctx, arrival, func() (bool, error) {
		names, err := foreign.Register(ctx, sandbox.Base(), server.Base)
		if len(names) > 0 {
			patient = names[0]
		}
		return patient != "", err
	})
	if err != nil {
		return "", fmt.Errorf("register the patient: %w", err)
	}
	fmt.Printf("\nThe patient is registered there. What is to be done, as the FHIR server answers to\n\n  GET %s/%s%s\n\n", server.Base, open, patient)
	err = until(ctx, arrival, func() (bool, error) {
		tasks, err := foreign.Tasks(ctx, server.Base, open+patient)
		table(tasks)
		return len(tasks) > 0, err
	})
	if err != nil {
		return "", fmt.Errorf("wait for the Tasks: %w", err)
	}
	fmt.Printf("\nThe episode goes on; the site will bleed once.\n")
	var last foreign.Report
	err = until(ctx, ending, func() (bool, error) {
		ended, err := foreign.Ended(ctx, server.Base, patient)
		if !ended || err != nil {
			return false, err
		}
		last, err = foreign.Compare(ctx, sandbox.Base(), server.Base, loaded)
		return len(last.Faults) == 0, err
	})
	if err != nil {
		return "", fmt.Errorf("wait for the end: %w: %q", err, last.Faults)
	}
	fmt.Printf("The plan is completed, and the FHIR server has what fhirsvc has:\n%s.\n", last)
	return patient, nil
}

// until asks until it is done, or for as long as it may take.
func until(ctx context.Context, most time.Duration, done func() (bool, error)) error {
	for end := time.Now().Add(most); ; {
		ok, err := done()
		if ok || err != nil {
			return errors.Join(err, ctx.Err())
		}
		if time.Now().After(end) {
			return fmt.Errorf("not within %s", most)
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(look):
		}
	}
}

func table(tasks []foreign.Task) {
	for _, t := range tasks {
		fmt.Printf("  %-16s  %-8s  %-8s  %s\n", t.Due, t.Status, t.Priority, t.Name)
	}
}
