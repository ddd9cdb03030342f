package episode

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"runtime/debug"
	"strconv"

	"fhirsvc/internal/fhir"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/store"
	"fhirsvc/internal/workflow"
)

// quarantine is an input that is at work, kept in case we fail on it.
type quarantine struct {
	kind    string
	id      string
	body    []byte
	episode string // as far as it is known by then
	subject string // Patient/id
	unit    string
}

// guard runs the work on an input. What the caller or the store is to blame for is
// passed on; everything else, panics included, is a fault of ours: the input goes into
// quarantine and a person is asked, and the error is an exception.
func (s *Service) guard(ctx context.Context, q *quarantine, work func() error) error {
	err := protect(work)
	if err == nil || blameless(err) {
		return err
	}
	s.Log.Error("input put into quarantine by a fault of the service",
		"kind", outcome.CodeException, "event_id", q.id, "instance_id", q.episode, "error", err)
	if kept := s.keepAside(ctx, q, err); kept != nil {
		return kept
	}
	return &outcome.Error{
		Kind: outcome.CodeException, Op: q.kind, Err: err,
		Details: "the service failed on this; it is kept, and a clinician is asked to look at it",
	}
}

// protect turns a panic into an error.
func protect(work func() error) (err error) {
	defer func() {
		if p := recover(); p != nil {
			err = fmt.Errorf("panic: %v\n%s", p, debug.Stack())
		}
	}()
	return work()
}

// blameless reports whether the service is not to blame for an error.
func blameless(err error) bool {
	var e *outcome.Error
	return errors.As(err, &e) && e.Kind != outcome.CodeException ||
		errors.Is(err, context.Canceled) || errors.Is(err, context.DeadlineExceeded)
}

// keepAside stores the input and the prebuilt review Task, once for each input.
func (s *Service) keepAside(ctx context.Context, q *quarantine, cause error) error {
	at := s.Now()
	id := s.ids.of("quarantine", q.kind, q.id)
	c := store.Changeset{
		Inbox: &store.Inbox{Source: "quarantine " + q.kind, ID: q.id, Digest: digest(q.body), At: at},
		Quarantine: &store.Quarantine{
			ID: id, Episode: q.episode, Kind: q.kind, Body: q.body, At: at, Fault: faultText(cause),
		},
	}
	if q.subject != "" {
		r := store.Resource{Type: "Task", ID: s.ids.of("Task", "quarantine", id), Updated: at, Unit: q.unit, Episode: q.episode}
		r.Version, r.Skipped = s.after(0)
		r.Body = reviewTask(fhir.Version{ID: r.ID, Number: r.Version, At: at}, q)
		r.Index = indexOf(r)
		c.Resources = append(c.Resources, r)
		c.Outbox = append(c.Outbox, s.announce(r, 0))
	}
	_, err := s.Store.Commit(ctx, []store.Changeset{c})
	return err
}

// faultText is the cause without what may be personal: our own errors name ids and
// elements, never values.
func faultText(err error) string {
	const longest = 2000
	t := err.Error()
	return t[:min(len(t), longest)]
}

// reviewTask is the Task that asks a person. It is written from constants, without the
// code that may have failed.
func reviewTask(v fhir.Version, q *quarantine) []byte {
	type task struct {
		ResourceType    string               `json:"resourceType"`
		ID              string               `json:"id"`
		Meta            fhir.Meta            `json:"meta"`
		GroupIdentifier *fhir.Identifier     `json:"groupIdentifier,omitempty"`
		Status          string               `json:"status"`
		Intent          string               `json:"intent"`
		Priority        string               `json:"priority"`
		Code            fhir.CodeableConcept `json:"code"`
		Description     string               `json:"description"`
		For             fhir.Reference       `json:"for"`
		AuthoredOn      string               `json:"authoredOn"`
		LastModified    string               `json:"lastModified"`
	}
	t := task{
		ResourceType: "Task", ID: v.ID, Meta: fhir.Meta{VersionID: strconv.FormatInt(v.Number, 10), LastUpdated: fhir.Instant(v.At)},
		Status: string(workflow.TaskReady), Intent: "order", Priority: string(workflow.Stat),
		Code: fhir.CodeClinicianReview.Concept(), For: fhir.Reference{Reference: q.subject},
		Description: "The service could not take in an entry (" + q.kind + ") for this patient. It is kept. " +
			"Look at the patient and at what was charted: the plan does not know of it.",
		AuthoredOn: fhir.Instant(v.At), LastModified: fhir.Instant(v.At),
	}
	if q.episode != "" {
		t.GroupIdentifier = &fhir.Identifier{System: fhir.SystemEpisode, Value: q.episode}
	}
	b, err := json.Marshal(t)
	if err != nil {
		panic(err) // texts always marshal
	}
	return b
}
