package episode

import (
	"context"

	"fhirsvc/internal/fhir"
	"fhirsvc/internal/store"
)

// mostEvents is how many events one answer tells of.
const mostEvents = 100

// SubscriptionStatus says how a Subscription stands, as R4 Parameters
// (hl7.org/fhir/uv/subscriptions-backport/STU1.1/OperationDefinition-backport-subscription-status.html).
func (s *Service) SubscriptionStatus(ctx context.Context, r store.Resource) ([]byte, error) {
	x, err := s.standing(ctx, r)
	if err != nil {
		return nil, err
	}
	return s.notification(x, fhir.QueryStatus).RenderStatus()
}

// SubscriptionEvents tells again of events from one number to another, both included, at
// most a hundred, as a notification Bundle
// (hl7.org/fhir/uv/subscriptions-backport/STU1.1/OperationDefinition-backport-subscription-events.html).
// Content asks for less than the Subscription has ("" for all of it); more is not given.
// What the client may not see any more is a number alone. The resources whose content is
// in it come, too.
func (s *Service) SubscriptionEvents(ctx context.Context, c Client, r store.Resource, from, to int64, content fhir.Content) ([]byte, []store.Resource, error) {
	x, err := s.standing(ctx, r)
	if err != nil {
		return nil, nil, err
	}
	events, err := s.Store.SubscriptionEvents(ctx, r.ID, from, min(to, x.queue.Events), mostEvents)
	if err != nil {
		return nil, nil, err
	}
	n := s.notification(x, fhir.QueryEvents)
	n.Content = least(x.Content, content)
	told, seen, err := s.told(ctx, c.Sees(x.Query.Type), events)
	if err != nil {
		return nil, nil, err
	}
	if n.Told = told; !n.Content.TellsResource() {
		seen = nil
	}
	body, err := fhir.RenderNotification(n)
	return body, seen, err
}

// standing reads a Subscription and its queue.
func (s *Service) standing(ctx context.Context, r store.Resource) (subscription, error) {
	x, err := s.readSubscription(ctx, r.ID, r.Version)
	if err != nil {
		return subscription{}, err
	}
	q, err := s.Store.Subscription(ctx, r.ID)
	return subscription{x, q}, err
}

// least is the content that tells less. R4's own contents are told as the guide's.
func least(has, asked fhir.Content) fhir.Content {
	switch has {
	case fhir.ContentCall:
		has = fhir.ContentIDOnly
	case fhir.ContentUpdate:
		has = fhir.ContentFull
	case fhir.ContentEmpty, fhir.ContentIDOnly, fhir.ContentFull:
	}
	rank := map[fhir.Content]int{fhir.ContentEmpty: 1, fhir.ContentIDOnly: 2, fhir.ContentFull: 3}
	if asked != "" && rank[asked] < rank[has] {
		return asked
	}
	return has
}
