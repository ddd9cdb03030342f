package fhir

import (
	"fmt"
	"time"

	"fhirsvc/internal/fhir/search"
	"fhirsvc/internal/fhir/tree"
)

// SubscriptionStatus is a code of http://hl7.org/fhir/ValueSet/subscription-status.
type SubscriptionStatus string

// The states: a client asks for requested or off; the service makes active and error.
const (
	SubscriptionRequested SubscriptionStatus = "requested"
	SubscriptionActive    SubscriptionStatus = "active"
	SubscriptionError     SubscriptionStatus = "error"
	SubscriptionOff       SubscriptionStatus = "off"
)

// Content says what a notification holds.
type Content string

// The contents. Without a topic it is a bare call of the endpoint or, where a payload is
// asked for, an update of the resource below it
// (http://hl7.org/fhir/subscription-channel-type, rest-hook). With a topic it is a Bundle
// with this much in it
// (http://hl7.org/fhir/uv/subscriptions-backport/ValueSet/backport-content-value-set).
const (
	ContentCall   Content = "call"
	ContentUpdate Content = "update"
	ContentEmpty  Content = "empty"
	ContentIDOnly Content = "id-only"
	ContentFull   Content = "full-resource"
)

// TellsResource reports whether the resource itself is sent.
func (c Content) TellsResource() bool { return c == ContentUpdate || c == ContentFull }

// Subscription is what a client wants to be told of, and how.
type Subscription struct {
	Status   SubscriptionStatus
	End      time.Time    // zero: never
	Error    string       // the last one
	Topic    string       // canonical; "" for search criteria alone
	Query    search.Query // type and conditions of what is told
	Endpoint string       // absolute URL
	Headers  [][2]string  // name and value, sent with every notification
	Content  Content
	// Heartbeat is the longest silence, 0 for any; Timeout how long the endpoint may take.
	Heartbeat, Timeout time.Duration
	MaxCount           int // most events in one notification
}

// Limits of a Subscription. Those that the guide leaves to a server are ours.
const (
	subscriptionTimeout    = 10 * time.Second // where none is asked for
	subscriptionMaxTimeout = 30 * time.Second
	subscriptionHeartbeat  = 10 * time.Second // the shortest
	subscriptionMaxCount   = 100
	subscriptionHeaders    = 16
	subscriptionHeaderSize = 8 << 10
)

// The names of the Subscriptions R5 Backport guide, version 1.1.0
// (hl7.org/fhir/uv/subscriptions-backport/STU1.1).
const (
	backport                = "http://hl7.org/fhir/uv/subscriptions-backport/"
	ProfileNotification     = backport + "StructureDefinition/backport-subscription-notification-r4"
	ProfileStatus           = backport + "StructureDefinition/backport-subscription-status-r4"
	ProfileSubscription     = backport + "StructureDefinition/backport-subscription"
	CapabilitySubscriptions = backport + "CapabilityStatement/backport-subscription-server-r4"
	OperationStatus         = backport + "OperationDefinition/backport-subscription-status"
	OperationEvents         = backport + "OperationDefinition/backport-subscription-events"
	ExtensionTopic          = backport + "StructureDefinition/capabilitystatement-subscriptiontopic-canonical"

	extensionFilter    = backport + "StructureDefinition/backport-filter-criteria"
	extensionContent   = backport + "StructureDefinition/backport-payload-content"
	extensionHeartbeat = backport + "StructureDefinition/backport-heartbeat-period"
	extensionTimeout   = backport + "StructureDefinition/backport-timeout"
	extensionMaxCount  = backport + "StructureDefinition/backport-max-count"
	extensionChannel   = backport + "StructureDefinition/backport-channel-type"
)

// Topic is a kind of change that can be subscribed to by its canonical URL. R4 has no
// resource for it.
type Topic struct {
	URL         string
	Title       string
	Description string
	Type        string // of the resources that change
}

// Topics are those that the service tells of, in order of URL. Each tells of every new
// version of the resources of its type; filters are the search parameters of the type.
func Topics() []Topic {
	topic := func(name, title, resourceType, description string) Topic {
		return Topic{CanonicalBase + "/SubscriptionTopic/" + name, title, description, resourceType}
	}
	return []Topic{
		topic("call-changed", "A call changed", "Communication", "Somebody was called, or a call was answered."),
		topic("document-changed", "A document changed", "DocumentReference", "A plan has ended and its picture was kept, or what it shows was corrected since."),
		topic("finding-changed", "A finding changed", "Observation", "Something was found at the bedside, corrected or withdrawn."),
		topic("flag-changed", "A flag changed", "Flag", "A warning was raised or taken down."),
		topic("issue-changed", "An issue changed", "DetectedIssue", "Entries contradict each other, or were settled."),
		topic("plan-changed", "A plan changed", "CarePlan", "A plan was started, forecast anew, held, completed or revoked."),
		topic("procedure-changed", "A procedure changed", "Procedure", "A procedure was told of or corrected."),
		topic("task-changed", "A task changed", "Task", "A task was planned, became ready, due or late, was claimed, done or cancelled."),
	}
}

// SetSubscriptionStatus gives the next version of a stored Subscription in another status. An error
// text, if there is one, takes the place of the last.
func SetSubscriptionStatus(doc *tree.Document, v Version, status SubscriptionStatus, failure string) ([]byte, error) {
	if doc.Root.Get("status") == nil {
		return nil, fmt.Errorf("status of Subscription/%s: it has none", v.ID)
	}
	x := &rewriter{doc: doc}
	w := Rewriting{Version: v}
	x.identity(w)
	x.meta(w)
	x.replace(doc.Root.Get("status"), quoted(string(status)))
	if failure != "" {
		if n := doc.Root.Get("error"); n != nil {
			x.replace(n, quoted(failure))
		} else {
			x.after(doc.Root.Get("status"), `,"error":`+quoted(failure))
		}
	}
	return x.apply(), nil
}
