package guide

import (
	"bytes"
	"encoding/json"
	"html"
	"iter"
	"maps"
	"slices"
	"strings"

	"fhirsvc/internal/fhir"
	"fhirsvc/internal/fhir/profiles"
)

// caution stands on what could be taken for an instruction.
const caution = "This schedules and documents. It never decides treatment: local policy and the responsible clinician do."

// header is what R4's definitions have in common
// (hl7.org/fhir/R4/metadataresource.html).
type header struct {
	ResourceType string         `json:"resourceType"`
	ID           string         `json:"id"`
	Text         fhir.Narrative `json:"text"`
	URL          string         `json:"url"`
	Version      string         `json:"version"`
	Name         string         `json:"name"`
	Title        string         `json:"title"`
	Status       string         `json:"status"`
	Experimental bool           `json:"experimental"`
	Date         string         `json:"date"`
	Publisher    string         `json:"publisher"`
	Description  string         `json:"description"`
}

func newHeader(resourceType, id, name, title, description string) header {
	return header{
		ResourceType: resourceType, ID: id, Text: narrative(title, description),
		URL: fhir.CanonicalBase + "/" + resourceType + "/" + id, Version: fhir.Published,
		Name: name, Title: title, Status: "draft", Date: fhir.PublishedOn, Publisher: "fhirsvc", Description: description,
	}
}

func narrative(title, text string) fhir.Narrative {
	return fhir.Narrative{
		Status: "generated",
		Div: `<div xmlns="http://www.w3.org/1999/xhtml"><p><b>` + html.EscapeString(title) + `</b></p><p>` +
			html.EscapeString(text) + `</p></div>`,
	}
}

// made gives the resources that follow from the tables of package fhir, in order of type.
func made() iter.Seq2[string, []byte] {
	all := map[string][]any{
		"ActivityDefinition": activities(), "MessageDefinition": messages(), "NamingSystem": identifiers(), "ConceptMap": {conceptMap()},
	}
	return func(yield func(string, []byte) bool) {
		for _, kind := range slices.Sorted(maps.Keys(all)) {
			for _, r := range all[kind] {
				if !yield(kind, write(r)) {
					return
				}
			}
		}
	}
}

// activities gives an ActivityDefinition for each kind of Task
// (hl7.org/fhir/R4/activitydefinition.html).
func activities() []any {
	type activityDefinition struct {
		header
		Usage   string               `json:"usage"`
		Kind    string               `json:"kind"`
		Profile string               `json:"profile"`
		Code    fhir.CodeableConcept `json:"code"`
		Intent  string               `json:"intent"`
	}
	var out []any
	for _, c := range fhir.Concepts() {
		if c.Use == fhir.UseTask {
			out = append(out, activityDefinition{
				header:  newHeader("ActivityDefinition", string(c.Code), c.Code.Pascal(), c.Display, c.Definition),
				Usage:   caution,
				Kind:    "Task",
				Profile: profiles.Base + "compression-release-task",
				Code:    taskCode(c.Code),
				Intent:  "order",
			})
		}
	}
	return out
}

// taskCode is Task.code as the service writes it.
func taskCode(c fhir.Code) fhir.CodeableConcept {
	kind, ok := fhir.ReadTask(c.Concept())
	if !ok { // a code that sites may chart, and no plan asks for
		return c.Concept()
	}
	return fhir.Terminology{}.Task(kind)
}

// identifiers gives a NamingSystem for each system of identifiers that the service makes
// (hl7.org/fhir/R4/namingsystem.html).
func identifiers() []any {
	type uniqueID struct {
		Type      string `json:"type"`
		Value     string `json:"value"`
		Preferred bool   `json:"preferred"`
	}
	type namingSystem struct {
		ResourceType string         `json:"resourceType"`
		ID           string         `json:"id"`
		Text         fhir.Narrative `json:"text"`
		Name         string         `json:"name"`
		Status       string         `json:"status"`
		Kind         string         `json:"kind"`
		Date         string         `json:"date"`
		Publisher    string         `json:"publisher"`
		Description  string         `json:"description"`
		UniqueID     []uniqueID     `json:"uniqueId"`
	}
	var out []any
	for _, s := range [][2]string{
		{fhir.SystemEpisode, "One wrist's band after one procedure: CarePlan.identifier and Task.groupIdentifier."},
		{fhir.SystemTaskKey, "A Task of an episode: the episode, a slash, and its kind, purpose and ordinal."},
		{fhir.SystemFlagKey, "A Flag of an episode: the episode, a slash, and its code."},
		{fhir.SystemDocumentKey, "A DocumentReference of an episode: the episode, a slash, and what it is of."},
		{fhir.SystemIssueKey, "A DetectedIssue of an episode: the episode, a slash, its code, a slash, and its ordinal."},
		{fhir.SystemNoticeKey, "A Communication of an episode: the episode, a slash, the Task's key, a slash, and its ordinal."},
	} {
		id := s[0][strings.LastIndexByte(s[0], '/')+1:]
		name := fhir.Code(id).Pascal()
		out = append(out, namingSystem{
			ResourceType: "NamingSystem", ID: id, Text: narrative(name, s[1]), Name: name, Status: "draft", Kind: "identifier",
			Date: fhir.PublishedOn, Publisher: "fhirsvc", Description: s[1], UniqueID: []uniqueID{{"uri", s[0], true}},
		})
	}
	return out
}

// write gives a resource as JSON. Markup stays readable.
func write(resource any) []byte {
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	e.SetIndent("", "  ")
	if err := e.Encode(resource); err != nil {
		panic(err) // structs of texts always marshal
	}
	return b.Bytes()
}
