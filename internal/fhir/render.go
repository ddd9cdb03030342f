package fhir

import (
	"bytes"
	"net/url"
	"regexp"
	"strconv"
	"strings"
	"time"
	"unicode"

	"fhirsvc/internal/workflow"
)

// Caution stands on every plan.
const Caution = "This plan schedules and documents. It never decides treatment: " +
	"local policy and the responsible clinician decide."

// softwareName is how the service calls itself where a resource names its maker.
const softwareName = "fhirsvc"

// Context is what rendering needs beside the values of the core.
type Context struct {
	Episode    string             // id of the episode
	Refs       workflow.Refs      // of the event that counts
	Protocol   *workflow.Protocol // nil when none fits
	NoProtocol string             // why there is none
	Software   string             // version of fhirsvc
	Terminology
	// Plan is the id of the episode's CarePlan.
	Plan string
	// TaskID gives the id of a Task's resource.
	TaskID func(workflow.TaskKey) string
	// Dose reports whether a finding, by its id, is a MedicationAdministration. All
	// others are Observations; nil means that all are.
	Dose func(finding string) bool
	// Names gives displays for people by how the core names them (Task.Owner,
	// Finding.By); a missing one is shown as the core names it.
	Names map[string]string
	// Zone is that of displayed instants; nil is UTC. Elements are always UTC.
	Zone *time.Location

	page time.Time // of a page that says its day and offset once; zero elsewhere
}

// Version is the identity of what is rendered. With Number 0 there is no
// meta.versionId and with a zero At no meta.lastUpdated, so that the bytes can be
// compared with those of another version.
type Version struct {
	ID     string
	Number int64
	At     time.Time
}

// WithoutVersion gives what was rendered as it would be without Number and At: the bytes of a
// Task, Flag, DetectedIssue or Communication, of which meta alone tells them.
func WithoutVersion(rendered []byte) []byte {
	before, rest, found := bytes.Cut(rendered, []byte(`"meta":{`)) // in a text the quotes would be escaped
	if !found {
		return rendered
	}
	_, after, _ := bytes.Cut(rest, []byte(`},`))
	return append(bytes.Clone(before), after...)
}

func (v Version) meta() *Meta {
	if v.Number == 0 && v.At.IsZero() {
		return nil
	}
	m := &Meta{LastUpdated: Instant(v.At)}
	if v.Number != 0 {
		m.VersionID = strconv.FormatInt(v.Number, 10)
	}
	return m
}

// clock says an instant; on a page, one of the same day and offset by the hour alone.
func (c Context) clock(t time.Time) string {
	words := ClockWords(t, c.Zone)
	if page := ClockWords(c.page, c.Zone); !c.page.IsZero() && words[:11] == page[:11] && words[16:] == page[16:] {
		return words[11:16]
	}
	return words
}

// subject is who the plan is for.
func (c Context) subject() Reference { return Reference{Reference: c.Refs.Subject} }

// encounter is a literal reference where the Encounter is stored, else a logical one;
// nil when none was told.
func (c Context) encounter() *Reference {
	if c.Refs.Encounter != "" {
		return &Reference{Reference: c.Refs.Encounter}
	}
	id := identifierOf(c.Refs.EncounterIdentifier)
	if id == (Identifier{}) {
		return nil
	}
	return &Reference{Type: "Encounter", Identifier: &id}
}

func (c Context) procedure() *Reference {
	if c.Refs.Procedure == "" {
		return nil
	}
	return &Reference{Reference: c.Refs.Procedure}
}

// service is this software as the author of something. Its version stands in Provenance
// alone: a new release is no change of a Task.
func (c Context) service() Reference { return Reference{Type: "Device", Display: softwareName} }

func (c Context) episode() Identifier { return Identifier{System: SystemEpisode, Value: c.Episode} }

// within is the identifier of a Task or flag of the episode.
func (c Context) within(system, key string) Identifier {
	return Identifier{System: system, Value: c.Episode + "/" + key}
}

var localReference = regexp.MustCompile(`^[A-Z][A-Za-z]+/[A-Za-z0-9\-.]{1,64}$`)

// person refers to whom the core names: by a local reference (Practitioner/7), by an
// identifier (system|value), or by a name alone; nil when nobody is named.
func (c Context) person(by string) *Reference {
	r := Reference{Display: clean(c.Names[by])}
	switch id := identifierOf(by); {
	case localReference.MatchString(by):
		r.Reference = by
	case id.System != "":
		r.Identifier = &id
	case r.Display == "":
		r.Display = id.Value
	}
	if r == (Reference{}) {
		return nil
	}
	return &r
}

// name says a person in words.
func (c Context) name(by string) string {
	if n := clean(c.Names[by]); n != "" {
		return n
	}
	if by = clean(by); by != "" {
		return by
	}
	return "somebody not named"
}

// findingRef refers to what told a finding.
func (c Context) findingRef(id string) string {
	if c.Dose != nil && c.Dose(id) {
		return "MedicationAdministration/" + id
	}
	return "Observation/" + id
}

// identifierOf reads "system|value". A text without a bar, or with a system that can't
// be a uri, is a value without a system, whole.
func identifierOf(token string) Identifier {
	system, value, found := strings.Cut(clean(token), "|")
	if _, err := url.Parse(system); !found || err != nil || strings.ContainsFunc(system, unicode.IsSpace) {
		return Identifier{Value: clean(token)}
	}
	return Identifier{System: system, Value: value}
}

// period is nil when it would be written empty. A step done early is due before its
// earliest time, and work may be charted to have ended before it was claimed: then the
// end alone is told, since R4 wants no start after the end (per-1,
// hl7.org/fhir/R4/datatypes.html#Period).
func period(start, end time.Time) *Period {
	if !end.IsZero() && end.Before(start) {
		start = time.Time{}
	}
	if start.IsZero() && end.IsZero() {
		return nil
	}
	return &Period{Start: Instant(start), End: Instant(end)}
}
