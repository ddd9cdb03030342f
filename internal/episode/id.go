package episode

import (
	"strconv"
	"strings"

	"github.com/google/uuid"

	"fhirsvc/internal/fhir"
	"fhirsvc/internal/workflow"
)

// ids derives the ids of all resources, so that the same input makes the same ids
// however often it is tried and through whichever replica. They are UUIDs of version 5
// (RFC 9562 section 5.5) under a namespace that the installation chose at random.
type ids struct{ namespace uuid.UUID }

// of derives an id from parts. Each part is written with its length, so that no two
// lists of parts are the same text.
func (d ids) of(parts ...string) string {
	var b strings.Builder
	for _, p := range parts {
		b.WriteString(strconv.Itoa(len(p)))
		b.WriteByte(':')
		b.WriteString(p)
	}
	return uuid.NewSHA1(d.namespace, []byte(b.String())).String()
}

// episode is the id of the plan of one radial site: it stays when the event is
// corrected, side and patient included.
func (d ids) episode(procedure fhir.Identifier, ordinal int) string {
	return d.of("episode", procedure.System, procedure.Value, strconv.Itoa(ordinal))
}

func (d ids) procedure(p fhir.Identifier) string { return d.of("Procedure", p.System, p.Value) }

func (d ids) task(episode string, k workflow.TaskKey) string {
	return d.of("Task", episode, k.String())
}

func (d ids) plan(episode string) string { return d.of("CarePlan", episode) }

func (d ids) flag(episode string, c workflow.FlagCode) string {
	return d.of("Flag", episode, string(c))
}

func (d ids) issue(episode string, i workflow.Issue) string {
	return d.of("DetectedIssue", episode, string(i.Code), strconv.Itoa(i.Ordinal))
}

func (d ids) notice(episode string, n workflow.Notice) string {
	return d.of("Communication", episode, n.Task.String(), strconv.Itoa(n.Ordinal))
}

func (d ids) timeline(episode string) string { return d.of("DocumentReference", episode, "timeline") }

// known is the id of a resource that is known by a business identifier.
func (d ids) known(resourceType string, i fhir.Identifier) string {
	return d.of(resourceType, i.System, i.Value)
}

// within is the id of a resource that an input brought and that has no identifier.
func (d ids) within(input, resourceType, name string) string {
	return d.of(resourceType, "input", input, name)
}

// provenance is the id of the Provenance written with a resource version.
func (d ids) provenance(resourceType, id string, version int64) string {
	return d.of("Provenance", resourceType, id, strconv.FormatInt(version, 10))
}
