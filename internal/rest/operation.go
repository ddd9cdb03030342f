package rest

import (
	"net/http"
	"slices"

	"github.com/labstack/echo/v4"

	"fhirsvc/internal/fhir"
)

// operation is a line of the table of operations (hl7.org/fhir/R4/operations.html), from
// which come their routes, their lines in the CapabilityStatement and in api/openapi.yaml.
type operation struct {
	Name       string // without the $
	Definition string // canonical URL of its OperationDefinition
	Summary    string // one line, for readers
	// Type and OfInstance say where it is: "" for the whole system, else at the type or
	// at each of its instances.
	Type       string
	OfInstance bool
	Method     string
	// Counts is what scopes and the audit trail take it for, and Of the type that they
	// take it to be about.
	Counts interaction
	Of     string
	Query  []Parameter
	Takes  string // resource type of the body, "" for no body
	Gives  string // resource type of the answer, or a media type such as image/svg+xml

	handle func(*server) echo.HandlerFunc
}

// Parameter is one of an operation that stands in the query.
type Parameter struct {
	Name          string
	Type          string // of R4, such as instant, integer, string
	Required      bool
	Least, Most   int    // of an integer, both included; no bounds if both are 0
	Only          string // the one value that is served, "" for any
	Documentation string
}

// operations is the table, in order of route.
func operations() []operation {
	return []operation{
		{
			Name:       "process-message",
			Definition: "http://hl7.org/fhir/OperationDefinition/MessageHeader-process-message",
			Summary:    "Takes in an event as a FHIR message and answers it at once.",
			Method:     http.MethodPost, Counts: interactionOperation, Of: "Bundle", Takes: "Bundle", Gives: "Bundle",
			Query:  []Parameter{{Name: "async", Type: "boolean", Only: "false", Documentation: "It is answered at once."}},
			handle: func(s *server) echo.HandlerFunc { return s.processMessage },
		},
		{
			Name:       "handover",
			Definition: "https://fhirsvc.example/fhir/OperationDefinition/care-plan-handover",
			Summary:    "One page to hand the band over: a document.",
			Type:       "CarePlan", OfInstance: true, Method: http.MethodGet, Counts: interactionRead, Of: "CarePlan", Gives: "Bundle",
			handle: func(s *server) echo.HandlerFunc { return s.handover },
		},
		{
			Name:       "timeline",
			Definition: "https://fhirsvc.example/fhir/OperationDefinition/care-plan-timeline",
			Summary:    "What happened to the band, as a picture (SVG).",
			Type:       "CarePlan", OfInstance: true, Method: http.MethodGet, Counts: interactionRead, Of: "CarePlan", Gives: fhir.Image,
			handle: func(s *server) echo.HandlerFunc { return s.timeline },
		},
		{
			Name: "status", Definition: fhir.OperationStatus, Summary: "How the caller's Subscriptions stand.",
			Type: "Subscription", Method: http.MethodGet, Counts: interactionSearch, Of: "Subscription", Gives: "Bundle",
			Query: []Parameter{
				{Name: "id", Type: "id", Documentation: "Of these alone; may be repeated."},
				{Name: "status", Type: "code", Documentation: "In these states alone; may be repeated."},
			},
			handle: func(s *server) echo.HandlerFunc { return s.subscriptionStatuses },
		},
		{
			Name: "events", Definition: fhir.OperationEvents, Summary: "What a Subscription was to be told, again; at most 100 events.",
			Type: "Subscription", OfInstance: true, Method: http.MethodGet, Counts: interactionRead, Of: "Subscription", Gives: "Bundle",
			Query: []Parameter{
				{Name: "eventsSinceNumber", Type: "string", Documentation: "The first event, itself included; 1 when not given."},
				{Name: "eventsUntilNumber", Type: "string", Documentation: "The last event, itself included."},
				{Name: "content", Type: "code", Documentation: "empty, id-only or full-resource; never more than the Subscription has."},
			},
			handle: func(s *server) echo.HandlerFunc { return s.subscriptionEvents },
		},
		{
			Name: "status", Definition: fhir.OperationStatus, Summary: "How a Subscription stands.",
			Type: "Subscription", OfInstance: true, Method: http.MethodGet, Counts: interactionRead, Of: "Subscription", Gives: "Bundle",
			handle: func(s *server) echo.HandlerFunc { return s.subscriptionStatus },
		},
		{
			Name:       "apply",
			Definition: "https://fhirsvc.example/fhir/OperationDefinition/plan-definition-apply",
			Summary:    "What a protocol would plan: a draft that is stored nowhere.",
			Type:       "PlanDefinition", OfInstance: true, Method: http.MethodPost, Counts: interactionRead, Of: "PlanDefinition",
			Takes: "Parameters", Gives: "CarePlan",
			handle: func(s *server) echo.HandlerFunc { return s.apply },
		},
		{
			Name:       "workload",
			Definition: "https://fhirsvc.example/fhir/OperationDefinition/task-workload",
			Summary:    "How many open Tasks fall due in each quarter of an hour.",
			Type:       "Task", Method: http.MethodGet, Counts: interactionSearch, Of: "Task", Gives: "Parameters",
			Query: []Parameter{
				{Name: "from", Type: "instant", Required: true, Documentation: "The first instant, with its offset."},
				{Name: "hours", Type: "integer", Least: 1, Most: workloadMaxHours, Documentation: "How far to look, in hours; 8 when not given."},
			},
			handle: func(s *server) echo.HandlerFunc { return s.workload },
		},
	}
}

// path is where the operation is below the base, as a route template.
func (o operation) path() string {
	path := "/$" + o.Name
	if o.OfInstance {
		path = "/:id" + path
	}
	if o.Type != "" {
		path = "/" + o.Type + path
	}
	return path
}

// operationsOf gives the operations of a type, or of the whole system for "", as the
// CapabilityStatement names them: one that is at the type and at its instances once.
func operationsOf(resourceType string) []named {
	var out []named
	for _, o := range operations() {
		if n := (named{Name: o.Name, Definition: o.Definition}); o.Type == resourceType && !slices.Contains(out, n) {
			out = append(out, n)
		}
	}
	return out
}
