package episode

import (
	"context"
	"fmt"
	"net/url"
	"time"

	"fhirsvc/internal/fhir"
	"fhirsvc/internal/store"
)

// Call is an HTTP request by which an endpoint is told something. All of it may hold what
// is personal or secret, and none of it goes into a log.
type Call struct {
	Method      string
	URL         string
	Headers     [][2]string
	ContentType string // "" without a body
	Body        []byte
	Timeout     time.Duration
	Upto        int64  // number of the last event that it tells of
	Once        bool   // it is not tried again: a handshake
	Trace       string // traceparent of the first change that it tells of; "" if there is none

	subscription string
	version      int64
	told         []store.Resource // whose content it holds
	owner        string
}

// NextCall gives what is to be sent for a claimed Subscription; nil when that is nothing,
// with the number up to which nothing is left to be told. What needs no call it does
// itself: a Subscription without a topic has no handshake, and an ended one is turned off.
func (s *Service) NextCall(ctx context.Context, c store.SubscriptionClaim) (*Call, int64, error) {
	x, err := s.readSubscription(ctx, c.ID, c.Version)
	if err != nil {
		return nil, 0, err
	}
	on := subscription{x, c.Subscription}
	switch {
	case c.Ended:
		return nil, 0, s.MoveSubscription(ctx, c.ID, c.Version, fhir.SubscriptionOff, "")
	case x.Status == fhir.SubscriptionRequested && x.Topic == "":
		return nil, 0, s.MoveSubscription(ctx, c.ID, c.Version, fhir.SubscriptionActive, "")
	case x.Status == fhir.SubscriptionRequested:
		call, err := s.notify(on, fhir.NotificationHandshake, nil)
		if call != nil {
			call.Once = true
		}
		return call, 0, err
	case x.Status != fhir.SubscriptionActive:
		return nil, 0, nil
	case c.Events > c.Sent:
		return s.eventCall(ctx, on)
	case x.Heartbeat > 0:
		call, err := s.notify(on, fhir.NotificationHeartbeat, nil)
		return call, 0, err
	}
	return nil, 0, nil
}

// eventCall tells of the first events that were not taken yet. What the owner may not see
// any more is left out: a resource may have moved to another unit.
func (s *Service) eventCall(ctx context.Context, x subscription) (*Call, int64, error) {
	events, err := s.Store.SubscriptionEvents(ctx, x.queue.ID, x.queue.Sent+1, x.queue.Events, x.MaxCount)
	if err != nil || len(events) == 0 {
		return nil, x.queue.Events, err // forgotten
	}
	told, seen, err := s.told(ctx, x.units(), events)
	if err != nil {
		return nil, 0, err
	}
	upto := events[len(events)-1].Number
	var call *Call
	switch {
	case x.Topic != "":
		call, err = s.notify(x, fhir.NotificationEvents, told)
	case len(seen) == 0:
		return nil, upto, nil
	default:
		call, err = x.plainCall(seen[0])
	}
	if err != nil {
		return nil, 0, err
	}
	call.Upto, call.Trace = upto, events[0].Trace
	if x.Content.TellsResource() {
		call.told = seen
	}
	return call, 0, nil
}

// told reads what events are about, as far as the units reach.
func (s *Service) told(ctx context.Context, units Units, events []store.SubscriptionEvent) ([]fhir.NotifiedEvent, []store.Resource, error) {
	var told []fhir.NotifiedEvent
	var seen []store.Resource
	for _, e := range events {
		r, err := s.Store.ReadVersion(ctx, e.Type, e.ID, e.Version)
		if err != nil {
			return nil, nil, err
		}
		ok, err := units.See(ctx, s.Store, r)
		if err != nil {
			return nil, nil, err
		}
		n := fhir.NotifiedEvent{Number: e.Number, At: e.At}
		if ok {
			n.Resource, n.Version, n.Body = e.Type+"/"+e.ID, e.Version, r.Body
			seen = append(seen, r)
		}
		told = append(told, n)
	}
	return told, seen, nil
}

// plainCall is R4's own rest-hook: a bare call, or an update below the endpoint
// (http://hl7.org/fhir/subscription-channel-type).
func (x subscription) plainCall(r store.Resource) (*Call, error) {
	call := x.call()
	if x.Content == fhir.ContentCall {
		return call, nil
	}
	u, err := url.Parse(x.Endpoint)
	if err != nil {
		return nil, fmt.Errorf("endpoint of Subscription/%s can't be read", x.queue.ID)
	}
	call.Method, call.URL = methodPut, u.JoinPath(r.Type, r.ID).String()
	call.ContentType, call.Body = fhir.ContentType, r.Body
	return call, nil
}

// notify is a call with a notification Bundle.
func (s *Service) notify(x subscription, kind fhir.NotificationKind, told []fhir.NotifiedEvent) (*Call, error) {
	n := s.notification(x, kind)
	n.Told = told
	if len(told) > 0 {
		n.Events = told[len(told)-1].Number // as far as it tells
	}
	body, err := fhir.RenderNotification(n)
	if err == nil {
		err = sound(s.Incoming, body) // what others entered need not fit the profiles
	}
	if err != nil {
		return nil, fmt.Errorf("notification of Subscription/%s: %w", x.queue.ID, err)
	}
	call := x.call()
	call.ContentType, call.Body = fhir.ContentType, body
	return call, nil
}

// notification says how a Subscription stands.
func (s *Service) notification(x subscription, kind fhir.NotificationKind) fhir.Notification {
	return fhir.Notification{
		Base: s.Endpoint, Subscription: x.queue.ID, Topic: x.Topic, Status: x.Status, Kind: kind, Content: x.Content,
		Events: x.queue.Events, Error: x.Error, At: s.Now(),
	}
}

func (x subscription) call() *Call {
	return &Call{
		Method: methodPost, URL: x.Endpoint, Headers: x.Headers, Timeout: x.Timeout,
		subscription: x.queue.ID, version: x.queue.Version, owner: x.queue.Owner,
	}
}

// CallTaken does what follows when an endpoint has taken a call: after a handshake the
// Subscription is active, and what was disclosed is recorded.
func (s *Service) CallTaken(ctx context.Context, c *Call) error {
	if s.Auditor != nil {
		for _, r := range c.told {
			x := Client{ID: c.owner}.Access()
			x.Interaction, x.Type, x.Data, x.Unit, x.Patient = "vread", r.Type, versioned(r), r.Unit, Patients(r)
			x.Query = "Subscription/" + c.subscription
			s.Auditor.Note(x)
		}
	}
	if !c.Once {
		return nil
	}
	return s.MoveSubscription(ctx, c.subscription, c.version, fhir.SubscriptionActive, "")
}

// CallFailed gives a Subscription up, until its owner asks for it again. Why must not hold
// anything of a patient, an endpoint or a header.
func (s *Service) CallFailed(ctx context.Context, c *Call, why string) error {
	return s.MoveSubscription(ctx, c.subscription, c.version, fhir.SubscriptionError, why)
}
