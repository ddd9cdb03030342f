package episode

import (
	"context"
	"slices"
	"time"

	"fhirsvc/internal/fhir"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/tree"
	"fhirsvc/internal/store"
)

// Endpoints says where notifications may be sent.
type Endpoints interface {
	// Allow gives nil for a URL that may be called, else why not, without the URL.
	Allow(url string) error
}

// claimMargin is what a try to send takes beside the time that its endpoint has.
const claimMargin = 5 * time.Second

// subscribe takes in a Subscription or a change of it. It is its owner's alone, and no
// change that is told: its headers may hold secrets.
func (b *batch) subscribe(ctx context.Context, w *work) error {
	s, issues := fhir.DecodeSubscription(w.doc, w.Path, b.Endpoint)
	if s == nil {
		b.issues = append(b.issues, issues...)
		return nil
	}
	if issues = b.unfit(w, s); issues != nil {
		b.issues = append(b.issues, issues...)
		return nil
	}
	in := incoming{resourceType: w.Type, body: []byte(w.doc.Raw(w.doc.Root))}
	in.rewriting.References = b.refer
	v, changed, err := b.next(w, in)
	if err != nil {
		return err
	}
	created := w.current == nil
	w.finish = func() EntryResult { return EntryResult{Created: created, Resource: *b.resourceOr(w, v)} }
	if !changed {
		return nil
	}
	v.Unit = b.client.own()
	b.draft.putUntold(v)
	b.draft.changes.Identities = append(b.draft.changes.Identities, w.claims...)
	q := queueOf(s, v)
	q.Owner = b.client.ID
	q.Units, q.All = b.client.Sees("").tokens, b.client.Units.All()
	b.draft.changes.Subscriptions = append(b.draft.changes.Subscriptions, q)
	return nil
}

// queueOf is the queue of a Subscription, but for whom it is.
func queueOf(s *fhir.Subscription, v store.Resource) store.Subscription {
	return store.Subscription{
		ID: v.ID, Version: v.Version, Status: string(s.Status), Heartbeat: s.Heartbeat, Lease: s.Timeout + claimMargin, End: s.End,
	}
}

// unfit tells why a readable Subscription can't stand as it is.
func (b *batch) unfit(w *work, s *fhir.Subscription) []outcome.Issue {
	var issues []outcome.Issue
	refuse := func(element, text string) {
		issues = append(issues, outcome.Errorf(outcome.CodeBusinessRule, w.root()+"."+element, "%s", text))
	}
	if w.current != nil {
		element, text := moved(w.current.Body, w.doc, s)
		if text != "" {
			refuse(element, text)
			return issues
		}
	} else if s.Status != fhir.SubscriptionRequested {
		refuse("status", "a client asks for a Subscription with status requested")
	}
	if s.Status == fhir.SubscriptionOff {
		return issues // it may always be ended, wherever it was told
	}
	if !s.End.IsZero() && !s.End.After(b.draft.at) {
		refuse("end", "its end is over already")
	}
	if b.Endpoints == nil {
		refuse("channel.endpoint", "this service calls no endpoints")
	} else if err := b.Endpoints.Allow(s.Endpoint); err != nil {
		refuse("channel.endpoint", err.Error())
	}
	return issues
}

// moved tells which change of a stored Subscription is not a client's, "" for none.
func moved(stored []byte, sent *tree.Document, s *fhir.Subscription) (element, text string) {
	before, _ := tree.Parse(stored)
	if before == nil {
		return "", ""
	}
	status := fhir.SubscriptionStatus(before.Root.Str("status"))
	same := func(names ...string) bool {
		return !slices.ContainsFunc(names, func(name string) bool {
			return before.Raw(before.Root.Get(name)) != sent.Raw(sent.Root.Get(name))
		})
	}
	switch {
	case status == fhir.SubscriptionOff:
		return "status", "this Subscription has ended; create another one"
	case s.Status == fhir.SubscriptionOff:
	case !same("criteria", "_criteria"):
		return "criteria", "criteria don't change, since its events are counted; end this Subscription and create another one"
	case s.Status == fhir.SubscriptionRequested:
	case s.Status != status:
		return "status", "a client may ask for requested or off"
	case !same("channel"):
		return "status", "with another channel, ask for requested"
	}
	return "", ""
}

// MoveSubscription gives a Subscription another status, as the service alone may, unless
// it has been changed since the version that was acted on. Failure is what went wrong, ""
// for nothing; it must not hold anything of a patient, an endpoint or a header.
func (s *Service) MoveSubscription(ctx context.Context, id string, version int64, to fhir.SubscriptionStatus, failure string) error {
	_, err := s.commit(ctx, "move subscription", func(ctx context.Context) (*draft, error) {
		current, err := s.Store.Read(ctx, "Subscription", id)
		if err != nil || current.Version != version {
			return nil, err
		}
		held, err := s.Store.Subscription(ctx, id)
		if err != nil {
			return nil, err
		}
		doc, _ := tree.Parse(current.Body)
		d := s.newDraft("")
		next := store.Resource{Type: "Subscription", ID: id, Unit: current.Unit}
		next.Version, next.Skipped = s.after(version)
		if next.Body, err = fhir.SetSubscriptionStatus(doc, fhir.Version{ID: id, Number: next.Version, At: d.at}, to, failure); err != nil {
			return nil, err
		}
		held.Version, held.Status = next.Version, string(to)
		d.keep(next)
		d.changes.Subscriptions = []store.Subscription{held}
		return d, d.seal(store.Inbox{})
	})
	return err
}
