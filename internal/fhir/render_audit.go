package fhir

import (
	"encoding/base64"
	"strconv"
	"time"
)

// AccessOutcome is a code of http://terminology.hl7.org/CodeSystem/audit-event-outcome.
type AccessOutcome string

// The outcomes: a fault of the caller's is minor, one of ours serious.
const (
	AccessSuccess AccessOutcome = "0"
	AccessRefused AccessOutcome = "4"
	AccessFailed  AccessOutcome = "8"
)

// Access is one access to records, or a try of one.
type Access struct {
	At time.Time
	// Interaction is a code of http://hl7.org/fhir/restful-interaction, "" for what was
	// refused before it was known.
	Interaction string
	Outcome     AccessOutcome
	Why         string // the issue code of a failure
	Alert       bool   // it was refused for who asked, or how often

	Client  string // id of the client at Issuer, "" for nobody
	User    string // whom it acted for, as Issuer names them, "" for a system
	Issuer  string
	Token   string // id of the token
	Address string // network address that the request came from
	Trace   string // id of the request
	Server  string // where this service is reached

	Type    string // of the resources
	Data    string // reference to the version that was read or written
	Patient []string
	Query   string // what was searched by, without values that may tell who
	// Included are references to the versions that a search gave beside its matches.
	Included []string
	Unit     string // system|value
	Times    int    // how many accesses of this kind are told as one

	Host    string // machine on which a command ran that came over no network
	Removed []Removal
	Episode string // id of the episode of which that was removed, "" for none
}

// Removal tells how many of a kind were removed for good.
type Removal struct {
	Kind  string // such as a resource type
	Count int
}

// auditEvent is R4 AuditEvent as far as it is written here
// (hl7.org/fhir/R4/auditevent.html).
type auditEvent struct {
	ResourceType string        `json:"resourceType"`
	ID           string        `json:"id"`
	Meta         *Meta         `json:"meta,omitempty"`
	Type         Coding        `json:"type"`
	Subtype      []Coding      `json:"subtype,omitempty"`
	Action       string        `json:"action"`
	Recorded     string        `json:"recorded"`
	Outcome      AccessOutcome `json:"outcome"`
	OutcomeDesc  string        `json:"outcomeDesc,omitempty"`
	Agent        []auditAgent  `json:"agent"`
	Source       auditSource   `json:"source"`
	Entity       []auditEntity `json:"entity,omitempty"`
}

type auditAgent struct {
	Type      CodeableConcept `json:"type"`
	Who       *Reference      `json:"who,omitempty"`
	Requestor bool            `json:"requestor"`
	Policy    []string        `json:"policy,omitempty"`
	Network   *auditNetwork   `json:"network,omitempty"`
}

type auditNetwork struct {
	Address string `json:"address"`
	Type    string `json:"type"`
}

type auditSource struct {
	Observer Reference `json:"observer"`
	Type     []Coding  `json:"type"`
}

type auditEntity struct {
	What      *Reference    `json:"what,omitempty"`
	Type      Coding        `json:"type"`
	Role      *Coding       `json:"role,omitempty"`
	Lifecycle *Coding       `json:"lifecycle,omitempty"`
	Name      string        `json:"name,omitempty"`
	Query     string        `json:"query,omitempty"`
	Detail    []auditDetail `json:"detail,omitempty"`
}

type auditDetail struct {
	Type        string `json:"type"`
	ValueString string `json:"valueString"`
}

// RenderAudit writes an access as IHE's Basic Audit Log Patterns lay it out
// (profiles.ihe.net/ITI/BALP): client, server and user as agents; the resource, its
// patient, the query and the request's id as entities; and, as an entity of type
// Location, the unit. It fails only on what can't be written as JSON.
func RenderAudit(a Access, v Version) ([]byte, error) {
	e := auditEvent{
		ResourceType: "AuditEvent", ID: v.ID, Meta: v.meta(), Recorded: Instant(a.At), Outcome: a.Outcome, OutcomeDesc: a.Why,
		Type:   Coding{System: SystemAuditType, Code: "rest", Display: "Restful Operation"},
		Action: a.action(), Agent: a.agents(), Entity: a.entities(),
		Source: auditSource{
			Observer: Context{}.service(),
			Type:     []Coding{{System: SystemAuditSource, Code: "4", Display: "Application Server"}},
		},
	}
	if a.Alert {
		e.Type = Coding{System: SystemDICOM, Code: "110113", Display: "Security Alert"}
	}
	if a.Interaction != "" {
		e.Subtype = []Coding{{System: SystemInteraction, Code: a.Interaction, Display: a.Interaction}}
	}
	return encode(e)
}

// action is the code of http://terminology.hl7.org/ValueSet/audit-event-action.
func (a Access) action() string {
	switch a.Interaction {
	case "create":
		return "C"
	case "read", "vread", "history-instance":
		return "R"
	case "update", "patch":
		return "U"
	case "delete":
		return "D"
	}
	return "E"
}

// reads reports whether data went from the service to the client.
func (a Access) reads() bool { return a.action() == "R" }

func (a Access) agents() []auditAgent {
	source := dicomConcept("110153", "Source Role ID")
	destination := dicomConcept("110152", "Destination Role ID")
	client := auditAgent{Type: source, Who: a.who(a.Client), Requestor: a.User == ""}
	server := auditAgent{Type: destination, Who: &Reference{Type: "Device", Display: softwareName}}
	if a.reads() {
		client.Type, server.Type = destination, source
	}
	if a.Client == "" {
		client.Who = &Reference{Display: "nobody known"}
	}
	if a.Token != "" {
		client.Policy = []string{"urn:ietf:params:oauth:jti:" + a.Token}
	}
	if a.Address != "" {
		client.Network = &auditNetwork{Address: a.Address, Type: "2"}
	}
	if a.Host != "" {
		client.Network = &auditNetwork{Address: a.Host, Type: "1"}
	}
	if a.Server != "" {
		server.Network = &auditNetwork{Address: a.Server, Type: "5"}
	}
	agents := []auditAgent{client, server}
	if a.User != "" {
		role := Coding{System: SystemParticipation, Code: "AUT", Display: "author (originator)"}
		if a.action() == "R" || a.action() == "E" {
			role.Code, role.Display = "IRCP", "information recipient"
		}
		agents = append(agents, auditAgent{Type: CodeableConcept{Coding: []Coding{role}}, Who: a.who(a.User), Requestor: true})
	}
	return agents
}

func dicomConcept(code, display string) CodeableConcept {
	return CodeableConcept{Coding: []Coding{{System: SystemDICOM, Code: code, Display: display}}}
}

// who refers to a client or user by what the issuer of its token calls it.
func (a Access) who(name string) *Reference {
	return &Reference{Identifier: &Identifier{System: a.Issuer, Value: name}}
}

func (a Access) entities() []auditEntity {
	var all []auditEntity
	object := Coding{System: SystemAuditEntity, Code: "2", Display: "System Object"}
	if a.Trace != "" {
		all = append(all, auditEntity{
			Type: Coding{System: SystemAuditRequest, Code: "XrequestId"},
			What: &Reference{Identifier: &Identifier{Value: a.Trace}},
		})
	}
	if a.Data != "" {
		all = append(all, auditEntity{Type: object, Role: objectRole("4", "Domain Resource"), What: &Reference{Reference: a.Data}})
	}
	for _, version := range a.Included {
		all = append(all, auditEntity{Type: object, Role: objectRole("4", "Domain Resource"), What: &Reference{Reference: version}})
	}
	for _, patient := range a.Patient {
		all = append(all, auditEntity{
			Type: Coding{System: SystemAuditEntity, Code: "1", Display: "Person"},
			Role: objectRole("1", "Patient"), What: &Reference{Reference: patient},
		})
	}
	if a.Query != "" {
		all = append(all, auditEntity{Type: object, Role: objectRole("24", "Query"), Query: base64.StdEncoding.EncodeToString([]byte(a.Query))})
	}
	if a.Removed != nil {
		all = append(all, a.removal())
	}
	if unit := identifierOf(a.Unit); a.Unit != "" {
		all = append(all, auditEntity{
			Type: Coding{System: SystemResourceTypes, Code: "Location", Display: "Location"},
			What: &Reference{Type: "Location", Identifier: &unit},
		})
	}
	if a.Data == "" && a.Query == "" && a.Type != "" || a.Times > 1 {
		all = append(all, a.kind())
	}
	return all
}

// kind tells what was asked for where no resource can be named, and how often.
func (a Access) kind() auditEntity {
	e := auditEntity{Type: Coding{System: SystemAuditEntity, Code: "4", Display: "Other"}, Name: a.Type}
	if e.Name == "" {
		e.Name = "request"
	}
	if a.Times > 1 {
		e.Detail = []auditDetail{{Type: "count", ValueString: strconv.Itoa(a.Times)}}
	}
	return e
}

// removal tells what is gone, and of which episode.
func (a Access) removal() auditEntity {
	e := auditEntity{
		Type:      Coding{System: SystemAuditEntity, Code: "2", Display: "System Object"},
		Lifecycle: &Coding{System: SystemAuditLifecycle, Code: "15", Display: "Permanent erasure / Physical destruction"},
	}
	if a.Episode != "" {
		e.What = &Reference{Identifier: &Identifier{System: SystemEpisode, Value: a.Episode}}
	}
	for _, r := range a.Removed {
		e.Detail = append(e.Detail, auditDetail{Type: r.Kind, ValueString: strconv.Itoa(r.Count)})
	}
	return e
}

func objectRole(code, display string) *Coding {
	return &Coding{System: SystemObjectRole, Code: code, Display: display}
}
