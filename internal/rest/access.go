package rest

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/url"

	"fhirsvc/internal/episode"
	"fhirsvc/internal/fhir"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/search"
	"fhirsvc/internal/rest/smart"
	"fhirsvc/internal/store"
)

// Auditing notes accesses that change nothing; changes are recorded by those who make
// them. Room tells why nothing more can be noted now.
type Auditing interface {
	Note(a fhir.Access)
	Room() error
}

// permission is the scope's letter for an interaction (SMART App Launch 2.2, Scopes for
// requesting FHIR Resources).
func (i interaction) permission() smart.Permission {
	switch i {
	case interactionRead, interactionVread, interactionHistory:
		return smart.Read
	case interactionSearch, interactionHistoryType: // both of a type
		return smart.Search
	case interactionCreate, interactionOperation:
		return smart.Create
	case interactionUpdate, interactionPatch:
		return smart.Update
	}
	panic("rest: interaction without a permission: " + string(i))
}

// look is the one way to stored records: it holds the scopes, shows no more than the
// units of the caller, and notes the access. The work fills in what was seen.
func (s *server) look(
	ctx context.Context, i interaction, resourceType string, work func(r fenced, a *fhir.Access) (reply, error),
) (reply, error) {
	k := callOf(ctx)
	a := k.Client.Access()
	a.Interaction, a.Type = string(i), resourceType
	var r reply
	err := permit(k, resourceType, i.permission())
	if err == nil {
		r, err = work(fenced{s.o.Reading, k.Client}, &a)
	}
	if err == nil && r.resource != nil {
		a.Data, a.Unit, a.Patient = location(r.resource), r.resource.Unit, episode.Patients(*r.resource)
	}
	s.note(a, err)
	return r, err
}

// mayLook holds a read to the scopes before anything is done. What else is wrong with it
// comes first.
func (s *server) mayLook(ctx context.Context, i interaction, resourceType string, wrong error) error {
	if wrong != nil {
		return wrong
	}
	err := permit(callOf(ctx), resourceType, i.permission())
	if err != nil {
		s.noteRefused(ctx, i, resourceType, err)
	}
	return err
}

func (s *server) noteRefused(ctx context.Context, i interaction, resourceType string, err error) {
	a := callOf(ctx).Client.Access()
	a.Interaction, a.Type = string(i), resourceType
	s.note(a, err)
}

// change is the one way to change records: all entries or none. What is made is recorded
// in the same commit.
func (s *server) change(ctx context.Context, entries []episode.Entry) ([]episode.EntryResult, error) {
	k := callOf(ctx)
	for _, e := range entries {
		if err := s.mayChange(ctx, e); err != nil {
			return nil, err
		}
	}
	results, err := s.o.Charting.Chart(ctx, k.Client, entries)
	if err != nil {
		for _, e := range entries {
			s.noteChange(k, e, err)
		}
	}
	return results, err
}

// mayChange holds an entry to the scopes. A conditional create looks for something first.
func (s *server) mayChange(ctx context.Context, e episode.Entry) error {
	k := callOf(ctx)
	err := permit(k, e.Type, changing(e).permission())
	if err == nil && e.Type == "QuestionnaireResponse" { // it makes and changes Observations
		err = permit(k, "Observation", changing(e).permission())
	}
	if err == nil && e.IfNoneExist != "" {
		err = mayLookFor(k, e)
	}
	if err == nil {
		err = maySubscribe(k, e)
	}
	if err != nil {
		s.noteChange(k, e, err)
	}
	return err
}

// mayLookFor holds what a conditional create looks for to the scopes, as a search.
func mayLookFor(k smart.Caller, e episode.Entry) error {
	if err := permit(k, e.Type, smart.Search); err != nil {
		return err
	}
	params, err := url.ParseQuery(e.IfNoneExist)
	if err != nil {
		return outcome.Fail(outcome.CodeInvalid, "", "If-None-Exist is no query")
	}
	q, _, _ := search.Parse(e.Type, params, search.Options{}) // what is wrong with it is told later
	for _, t := range q.Joined() {
		if err := permit(k, t, smart.Search); err != nil {
			return err
		}
	}
	return nil
}

func (s *server) noteChange(k smart.Caller, e episode.Entry, err error) {
	a := k.Client.Access()
	a.Interaction, a.Type = string(changing(e)), e.Type
	s.note(a, err)
}

// changing is the interaction of an entry that changes something.
func changing(e episode.Entry) interaction {
	switch e.Method {
	case http.MethodPut:
		return interactionUpdate
	case http.MethodPatch:
		return interactionPatch
	}
	return interactionCreate
}

// permit refuses what the caller's scopes don't grant, and names the scope that would
// (RFC 6750 section 3.1).
func permit(k smart.Caller, resourceType string, p smart.Permission) error {
	err := k.Scopes.Check(resourceType, p)
	var e *outcome.Error
	if errors.As(err, &e) {
		return &refusal{
			status: http.StatusForbidden, err: e,
			challenge: `error="insufficient_scope", scope="` + smart.Needed(resourceType, p) + `"`,
		}
	}
	return err
}

// note hands an access that changed nothing to the audit trail. What was refused because
// of who asked is told apart: also another unit's record, which the caller sees as none.
func (s *server) note(a fhir.Access, err error) {
	if s.o.Auditor == nil {
		return
	}
	if err != nil {
		status, e := failed(err)
		a.Outcome, a.Why = fhir.AccessRefused, string(e.Kind)
		switch {
		case status >= http.StatusInternalServerError:
			a.Outcome = fhir.AccessFailed
		case status == http.StatusUnauthorized, status == http.StatusForbidden, status == http.StatusTooManyRequests:
			a.Alert = true
		case e.Op == episode.OpHidden:
			a.Alert, a.Why = true, string(outcome.CodeForbidden)
		}
	}
	s.o.Auditor.Note(a)
}

// fenced is what is stored, as far as the client may see it.
type fenced struct {
	reading Reading
	client  episode.Client
}

func (f fenced) read(ctx context.Context, resourceType, id string) (store.Resource, error) {
	r, err := f.reading.Read(ctx, resourceType, id)
	return f.seen(ctx, r, err, id)
}

func (f fenced) version(ctx context.Context, resourceType, id string, n int64) (store.Resource, error) {
	r, err := f.reading.ReadVersion(ctx, resourceType, id, n)
	return f.seen(ctx, r, err, fmt.Sprintf("%s version %d", id, n))
}

// seen lets through what may be seen. All else gets the store's own words for what it
// does not have, to the letter: any other would tell that it is there.
func (f fenced) seen(ctx context.Context, r store.Resource, err error, what string) (store.Resource, error) {
	if err != nil {
		return store.Resource{}, err
	}
	ok, err := f.client.Sees(r.Type).See(ctx, f.reading, r)
	if err == nil && !ok {
		err = episode.NotHere(r.Type, what)
	}
	if err != nil {
		return store.Resource{}, err
	}
	return r, nil
}

// past gives the versions that may be seen.
func (f fenced) past(ctx context.Context, p store.Past) (store.PastPage, error) {
	q := f.client.Sees(p.Type).Limit(search.Query{Type: p.Type})
	p.Units, p.Shared = q.Units, q.Shared
	return f.reading.Past(ctx, p)
}

func (f fenced) search(ctx context.Context, q search.Query) (store.Page, error) {
	return f.reading.Search(ctx, f.client.Limit(q))
}
