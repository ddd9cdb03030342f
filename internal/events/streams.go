package events

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/nats-io/nats.go/jetstream"
)

// Names that senders and readers rely on.
const (
	StreamProcedure = "PROCEDURE_EVENTS"
	StreamRejected  = "PROCEDURE_EVENTS_REJECTED"
	StreamChanges   = "FHIRSVC_CHANGES"

	SubjectProcedure = "ehr.procedure.completed"
	SubjectRejected  = "fhirsvc.rejected.procedure"
	SubjectChanges   = "fhirsvc.changes.>"

	ConsumerProcedure = "fhirsvc-procedure"
)

// duplicates is how long a stream remembers message ids. It must outlast the longest
// pause of a relay that may come back with a row that another one has sent since.
const duplicates = time.Hour

// replicasUnsupported is the server's answer to more than one replica without a cluster.
const replicasUnsupported jetstream.ErrorCode = 10074

// streams lists what the service needs. All keep their messages by Limits alone: with
// another retention a server forgets the ids of consumed messages at its restart.
func streams() []jetstream.StreamConfig {
	return []jetstream.StreamConfig{
		{Name: StreamProcedure, Subjects: []string{SubjectProcedure}, Description: "procedure events for fhirsvc"},
		{Name: StreamRejected, Subjects: []string{SubjectRejected}, Description: "procedure events that fhirsvc refused, with the reason", AllowAtomicPublish: true},
		{Name: StreamChanges, Subjects: []string{SubjectChanges}, Description: "what changed in fhirsvc", AllowAtomicPublish: true},
	}
}

// Prepare creates the streams that are absent and never alters one that is there: its
// limits, replicas and placement are the site's. One that could lose or miss messages
// is named in the error.
func Prepare(ctx context.Context, js jetstream.JetStream) error {
	var faults []error
	for _, want := range streams() {
		got, err := ensure(ctx, js, want)
		if err != nil {
			faults = append(faults, fmt.Errorf("stream %s: %w", want.Name, err))
			continue
		}
		faults = append(faults, fits(got, want))
	}
	return errors.Join(faults...)
}

// ensure gives the configuration of the stream, which it creates if there is none.
func ensure(ctx context.Context, js jetstream.JetStream, want jetstream.StreamConfig) (jetstream.StreamConfig, error) {
	for {
		s, err := js.Stream(ctx, want.Name)
		if err == nil {
			return s.CachedInfo().Config, nil
		}
		if !errors.Is(err, jetstream.ErrStreamNotFound) {
			return jetstream.StreamConfig{}, err
		}
		err = create(ctx, js, want)
		if err != nil && !errors.Is(err, jetstream.ErrStreamNameAlreadyInUse) {
			return jetstream.StreamConfig{}, err
		}
		// Made by us, or by another replica at the same time: read what it became.
	}
}

// create makes the stream with three replicas, or with one where there is no cluster.
func create(ctx context.Context, js jetstream.JetStream, c jetstream.StreamConfig) error {
	c.Retention, c.Storage, c.Duplicates, c.Replicas = jetstream.LimitsPolicy, jetstream.FileStorage, duplicates, 3
	_, err := js.CreateStream(ctx, c)
	var api *jetstream.APIError
	if errors.As(err, &api) && api.ErrorCode == replicasUnsupported {
		c.Replicas = 1
		_, err = js.CreateStream(ctx, c)
	}
	return err
}

// fits tells why a stream that is there can't be used.
func fits(got, want jetstream.StreamConfig) error {
	var faults []string
	if got.Retention != jetstream.LimitsPolicy {
		faults = append(faults, "retention is not limits")
	}
	if got.Storage != jetstream.FileStorage {
		faults = append(faults, "storage is not file")
	}
	for _, s := range want.Subjects {
		if !slices.ContainsFunc(got.Subjects, func(pattern string) bool { return covers(pattern, s) }) {
			faults = append(faults, "does not take subject "+s)
		}
	}
	if faults == nil {
		return nil
	}
	return fmt.Errorf("stream %s: %s", want.Name, strings.Join(faults, "; "))
}

// covers reports whether every subject that matches s matches the pattern too.
func covers(pattern, s string) bool {
	p, t := strings.Split(pattern, "."), strings.Split(s, ".")
	for i, token := range p {
		switch {
		case token == ">":
			return i < len(t)
		case i >= len(t) || t[i] == ">":
			return false
		case token != "*" && token != t[i]:
			return false
		}
	}
	return len(p) == len(t)
}
