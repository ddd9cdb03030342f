package pushtest

import (
	"bytes"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
)

// Delivered are the types of which a server is sent what changes.
func Delivered() []string {
	return []string{
		"CarePlan", "Task", "Flag", "DetectedIssue", "Communication", "Observation",
		"MedicationAdministration", "QuestionnaireResponse", "ServiceRequest", "DocumentReference",
	}
}

// Differs compares what a service has of the types that are delivered with what the server
// has: each resource once, and the same but for ids and where references lead, which the
// carrier's own tests compare. It gives a line for each difference, +1 for what is missing and
// -1 for what should not be there.
func (s *Server) Differs(ours []json.RawMessage) (string, error) {
	count := map[string]int{}
	for _, body := range ours {
		text, err := withoutIDs(body)
		if err != nil {
			return "", err
		}
		count[text]++
	}
	for _, r := range s.All() {
		if kind, _ := r["resourceType"].(string); !slices.Contains(Delivered(), kind) {
			continue
		}
		body, err := json.Marshal(r)
		if err != nil {
			return "", err
		}
		text, err := withoutIDs(body)
		if err != nil {
			return "", err
		}
		count[text]--
	}
	var lines []string
	for text, n := range count {
		if n != 0 {
			lines = append(lines, fmt.Sprintf("%+d %s", n, text))
		}
	}
	slices.Sort(lines)
	return strings.Join(lines, "\n"), nil
}

// withoutIDs is a resource as text, its members in one order, without what differs at each server.
func withoutIDs(body []byte) (string, error) {
	d := json.NewDecoder(bytes.NewReader(body))
	d.UseNumber()
	var r map[string]any
	if err := d.Decode(&r); err != nil {
		return "", fmt.Errorf("read a resource: %w", err)
	}
	delete(r, "id")
	delete(r, "meta")
	if key, _ := json.Marshal(r["identifier"]); bytes.Contains(key, []byte(`"urn:uuid:`)) {
		delete(r, "identifier") // the key of a copy whose resource has none
	}
	clearReferences(r)
	text, err := json.Marshal(r)
	return string(text), err
}

func clearReferences(v any) {
	switch v := v.(type) {
	case map[string]any:
		if _, ok := v["reference"]; ok || v["type"] == "Practitioner" || v["type"] == "Procedure" || v["type"] == "Encounter" {
			clear(v)
			return
		}
		for _, child := range v {
			clearReferences(child)
		}
	case []any:
		for _, child := range v {
			clearReferences(child)
		}
	}
}
