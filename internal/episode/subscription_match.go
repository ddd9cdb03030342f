package episode

import (
	"context"
	"encoding/json"
	"fmt"
	"strconv"
	"sync"

	"fhirsvc/internal/fhir"
	"fhirsvc/internal/fhir/search"
	"fhirsvc/internal/fhir/tree"
	"fhirsvc/internal/store"
)

// subscriptions keeps the live Subscriptions as they were read, by id, until they get
// another version.
type subscriptions struct {
	mu    sync.Mutex
	known map[string]subscription
}

// subscription is what a Subscription asks for, and for whom.
type subscription struct {
	*fhir.Subscription
	queue store.Subscription
}

// units are those of whose changes the owner may be told.
func (x subscription) units() Units {
	if x.queue.All {
		return AllUnits()
	}
	return UnitsOf(x.queue.Units...)
}

// read gives the live Subscriptions in their order.
func (s *Service) live(ctx context.Context, queues []store.Subscription) ([]subscription, error) {
	s.subscriptions.mu.Lock()
	defer s.subscriptions.mu.Unlock()
	known := make(map[string]subscription, len(queues))
	all := make([]subscription, 0, len(queues))
	for _, q := range queues {
		x := s.subscriptions.known[q.ID]
		if x.Subscription == nil || x.queue.Version != q.Version {
			var err error
			if x.Subscription, err = s.readSubscription(ctx, q.ID, q.Version); err != nil {
				return nil, err
			}
		}
		x.queue = q
		known[q.ID] = x
		all = append(all, x)
	}
	s.subscriptions.known = known
	return all, nil
}

// readSubscription decodes a stored version. What was let in can be read again.
func (s *Service) readSubscription(ctx context.Context, id string, version int64) (*fhir.Subscription, error) {
	r, err := s.Store.ReadVersion(ctx, "Subscription", id, version)
	if err != nil {
		return nil, err
	}
	doc, _ := tree.Parse(r.Body)
	if doc == nil {
		return nil, fmt.Errorf("read Subscription/%s: what is stored is no JSON", id)
	}
	x, issues := fhir.DecodeSubscription(doc, "", s.Endpoint)
	if x == nil {
		return nil, fmt.Errorf("read Subscription/%s: %s", id, issues[0])
	}
	return x, nil
}

// Match says which live Subscriptions are to be told of which changes: where the new
// version fulfils the criteria as a search would find it, and may be seen by the owner. What
// belongs to an episode is delivered to other servers too, if it is of a type that is. It is
// a store.Matcher.
func (s *Service) Match(ctx context.Context, changes []store.OutboxRow, queues []store.Subscription) (store.Matched, error) {
	var m store.Matched
	all, err := s.live(ctx, queues)
	if err != nil {
		return m, err
	}
	for _, row := range changes {
		var c change
		if err := json.Unmarshal(row.Body, &c); err != nil || c.Type == "" {
			continue // no change: a rejected message
		}
		found, err := s.matchOne(ctx, c, all)
		if err != nil {
			return m, err
		}
		m.Events = append(m.Events, found...)
		if c.Episode == "" || !fhir.Delivered(c.Type) {
			continue
		}
		d := store.Delivery{Seq: row.Seq, Episode: c.Episode, Change: c.Seq, Type: c.Type, ID: c.ID}
		if d.Version, err = strconv.ParseInt(c.VersionID, 10, 64); err != nil {
			return m, fmt.Errorf("match %s/%s: version: %w", c.Type, c.ID, err)
		}
		m.Deliveries = append(m.Deliveries, d)
	}
	return m, nil
}

func (s *Service) matchOne(ctx context.Context, c change, all []subscription) ([]store.SubscriptionEvent, error) {
	var events []store.SubscriptionEvent
	var r store.Resource
	var values []search.Value
	for _, x := range all {
		if x.Query.Type != c.Type {
			continue
		}
		if r.ID == "" { // read once, and only if somebody asks for the type
			n, err := strconv.ParseInt(c.VersionID, 10, 64)
			if err != nil {
				return nil, fmt.Errorf("match %s/%s: version: %w", c.Type, c.ID, err)
			}
			if r, err = s.Store.ReadVersion(ctx, c.Type, c.ID, n); err != nil {
				return nil, err
			}
			values = indexOf(r)
		}
		if !x.End.IsZero() && r.Updated.After(x.End) || !x.Query.Matches(r.ID, r.Updated, values) {
			continue
		}
		seen, err := x.units().See(ctx, s.Store, r)
		if err != nil {
			return nil, err
		}
		if seen {
			events = append(events, store.SubscriptionEvent{Subscription: x.queue.ID, Type: r.Type, ID: r.ID, Version: r.Version, At: r.Updated})
		}
	}
	return events, nil
}
