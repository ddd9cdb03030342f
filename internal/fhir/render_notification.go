package fhir

import (
	"encoding/json"
	"strconv"
	"time"

	"github.com/google/uuid"
)

// NotificationKind is a code of http://hl7.org/fhir/ValueSet/subscription-notification-type.
type NotificationKind string

// The kinds of notification, and of answers about what would have been one.
const (
	NotificationHandshake NotificationKind = "handshake"
	NotificationHeartbeat NotificationKind = "heartbeat"
	NotificationEvents    NotificationKind = "event-notification"
	QueryStatus           NotificationKind = "query-status"
	QueryEvents           NotificationKind = "query-event"
)

// Notification is what is told of a topic-based Subscription.
type Notification struct {
	Base         string // this service's own URL
	Subscription string // id
	Topic        string
	Status       SubscriptionStatus
	Kind         NotificationKind
	Content      Content
	Events       int64 // how many there were since it was created, these included
	Error        string
	Told         []NotifiedEvent
	At           time.Time
}

// NotifiedEvent is an event with the version that it is about. Body is looked at for
// ContentFull alone.
type NotifiedEvent struct {
	Number   int64
	At       time.Time
	Resource string // Type/id; "" where the version may not be seen any more
	Version  int64
	Body     []byte
}

type notificationBundle struct {
	ResourceType string              `json:"resourceType"`
	ID           string              `json:"id"`
	Meta         Meta                `json:"meta"`
	Type         string              `json:"type"`
	Timestamp    string              `json:"timestamp"`
	Entry        []notificationEntry `json:"entry"`
}

type notificationEntry struct {
	FullURL  string            `json:"fullUrl"`
	Resource json.RawMessage   `json:"resource"`
	Request  map[string]string `json:"request"`
	Response map[string]string `json:"response"`
}

// RenderNotification writes the Bundle of a notification: a history whose first entry says
// how the Subscription stands
// (hl7.org/fhir/uv/subscriptions-backport/STU1.1/StructureDefinition-backport-subscription-notification-r4.html).
// bdl-3 and bdl-4 want request and response of every entry of a history.
func RenderNotification(n Notification) ([]byte, error) {
	status, err := n.RenderStatus()
	if err != nil {
		return nil, err
	}
	b := notificationBundle{
		ResourceType: "Bundle", ID: uuid.NewString(), Meta: Meta{Profile: []string{ProfileNotification}}, Type: "history", Timestamp: Instant(n.At),
		Entry: []notificationEntry{{
			FullURL: "urn:uuid:" + uuid.NewString(), Resource: status,
			Request:  map[string]string{"method": "GET", "url": "Subscription/" + n.Subscription + "/$status"},
			Response: map[string]string{"status": "200"},
		}},
	}
	for _, e := range n.Told {
		if n.Content == ContentFull && e.Resource != "" {
			b.Entry = append(b.Entry, e.entry(n.Base))
		}
	}
	return encode(b)
}

// entry is the resource as a change of it.
func (e NotifiedEvent) entry(base string) notificationEntry {
	x := notificationEntry{
		FullURL: base + "/" + e.Resource, Resource: e.Body,
		Request:  map[string]string{"method": "PUT", "url": e.Resource},
		Response: map[string]string{"status": "200", "etag": `W/"` + strconv.FormatInt(e.Version, 10) + `"`, "lastModified": Instant(e.At)},
	}
	if e.Version == 1 {
		x.Response["status"] = "201"
	}
	return x
}

// RenderStatus writes how a Subscription stands as R4 Parameters
// (hl7.org/fhir/uv/subscriptions-backport/STU1.1/StructureDefinition-backport-subscription-status-r4.html).
// Where the content is empty, no topic and no focus is told: they say what happened.
func (n Notification) RenderStatus() ([]byte, error) {
	p := parameters{ResourceType: "Parameters", Meta: &Meta{Profile: []string{ProfileStatus}}}
	add := func(x parameter) { p.Parameter = append(p.Parameter, x) }
	add(parameter{Name: "subscription", ValueReference: &Reference{Reference: n.Base + "/Subscription/" + n.Subscription}})
	if n.Topic != "" && n.Content != ContentEmpty {
		add(parameter{Name: "topic", ValueCanonical: n.Topic})
	}
	add(parameter{Name: "status", ValueCode: string(n.Status)})
	add(parameter{Name: "type", ValueCode: string(n.Kind)})
	add(parameter{Name: "events-since-subscription-start", ValueString: strconv.FormatInt(n.Events, 10)})
	for _, e := range n.Told {
		part := []parameter{
			{Name: "event-number", ValueString: strconv.FormatInt(e.Number, 10)},
			{Name: "timestamp", ValueInstant: Instant(e.At)},
		}
		if n.Content != ContentEmpty && e.Resource != "" {
			part = append(part, parameter{Name: "focus", ValueReference: &Reference{Reference: n.Base + "/" + e.Resource}})
		}
		add(parameter{Name: "notification-event", Part: part})
	}
	if n.Error != "" {
		add(parameter{Name: "error", ValueCodeableConcept: &CodeableConcept{Text: n.Error}})
	}
	return encode(p)
}
