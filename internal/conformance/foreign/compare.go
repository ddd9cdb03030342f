package foreign

import (
	"context"
	"fmt"
	"net/http"
	"slices"
	"strings"
)

// delivered are the types of which copies are made (docs/delivery.md).
var delivered = []string{
	"CarePlan", "Task", "Flag", "DetectedIssue", "Communication", "Observation",
	"MedicationAdministration", "QuestionnaireResponse", "ServiceRequest", "DocumentReference",
}

// Report is what a comparison found.
type Report struct {
	Counts map[string]int // equal copies, by type
	Faults []string       // in words; none: both have the same
}

// String gives the counts in the order in which types are delivered.
func (r Report) String() string {
	var all []string
	for _, kind := range delivered {
		if n := r.Counts[kind]; n > 0 {
			all = append(all, fmt.Sprintf("%d %s", n, kind))
		}
	}
	return strings.Join(all, ", ")
}

// compared are two servers while they are compared.
type compared struct {
	ours   map[string]Resource   // by Type/id
	theirs map[string][]Resource // by type and identifier
	copies map[string]string     // Type/id here to Type/id there
}

// Compare compares all that is delivered of what the service has, at a base, with what another
// server has. What was there before (Type/id) is left out of it.
func Compare(ctx context.Context, ours, theirs string, before map[string]bool) (Report, error) {
	c := &compared{ours: map[string]Resource{}, theirs: map[string][]Resource{}, copies: map[string]string{}}
	left := map[string]bool{} // there, and not a copy of anything
	for _, kind := range slices.Concat(delivered, []string{"Patient", "Encounter", "Practitioner", "Procedure", "Device"}) {
		found, err := search(ctx, ours, kind+"?_count=200")
		if err != nil {
			return Report{}, err
		}
		for _, r := range found {
			c.ours[nameOf(r)] = r
		}
		if found, err = search(ctx, theirs, kind+"?_count=200"); err != nil {
			return Report{}, err
		}
		for _, r := range found {
			if before[nameOf(r)] {
				continue
			}
			left[nameOf(r)] = slices.Contains(delivered, kind)
			for _, i := range identifiers(r) {
				c.theirs[kind+" "+i] = append(c.theirs[kind+" "+i], r)
			}
		}
	}
	return c.report(left), nil
}

func (c *compared) report(left map[string]bool) Report {
	r := Report{Counts: map[string]int{}}
	copies := map[string]Resource{}
	for name, own := range c.ours {
		kind := text(own["resourceType"])
		if kind != "Patient" && !slices.Contains(delivered, kind) {
			continue
		}
		found := c.theirs[kind+" "+known(own)]
		if len(found) != 1 {
			r.Faults = append(r.Faults, fmt.Sprintf("%s: %d copies", name, len(found)))
			continue
		}
		copies[name], c.copies[name] = found[0], nameOf(found[0])
		delete(left, nameOf(found[0]))
	}
	for name, there := range copies {
		own := c.ours[name]
		if own["resourceType"] == "Patient" {
			continue // it belongs to the other server
		}
		faults := Differences(own, there, c.leads)
		for _, f := range faults {
			r.Faults = append(r.Faults, name+" "+f)
		}
		if faults == nil {
			r.Counts[text(own["resourceType"])]++
		}
	}
	for name, ofUs := range left {
		if ofUs {
			r.Faults = append(r.Faults, name+" is there and nowhere here")
		}
	}
	slices.Sort(r.Faults)
	return r
}

// leads says what must be at the other server in place of a reference of ours.
func (c *compared) leads(reference string) Resource {
	name, _, _ := strings.Cut(reference, "/_history/")
	if to := c.copies[name]; to != "" {
		return Resource{"reference": to}
	}
	kind, _, _ := strings.Cut(name, "/")
	r := c.ours[name]
	if r == nil {
		return nil
	}
	system, value, _ := strings.Cut(known(r), "|")
	return Resource{"type": kind, "identifier": Resource{"system": system, "value": value}}
}

// known is the identifier that a resource is known by, as system|value: the one with use official,
// else the first, else its id.
func known(r Resource) string {
	all := r["identifier"]
	if one, ok := all.(Resource); ok {
		all = []any{one}
	}
	for _, i := range list(all) {
		if object(i)["use"] == "official" {
			return token(object(i))
		}
	}
	if of := list(all); len(of) > 0 {
		return token(object(of[0]))
	}
	return "urn:ietf:rfc:3986|urn:uuid:" + text(r["id"])
}

// identifiers are those of a resource, as system|value.
func identifiers(r Resource) []string {
	if one, ok := r["identifier"].(Resource); ok {
		return []string{token(one)}
	}
	var all []string
	for _, i := range list(r["identifier"]) {
		all = append(all, token(object(i)))
	}
	return all
}

func token(i Resource) string { return text(i["system"]) + "|" + text(i["value"]) }

// Register makes the patients of the service known to another server, as a registration would. It
// gives what they are there, as Patient/id.
func Register(ctx context.Context, ours, theirs string) ([]string, error) {
	found, err := search(ctx, ours, "Patient?_count=200")
	if err != nil {
		return nil, err
	}
	var names []string
	for _, r := range found {
		body, err := encode(stripped(r))
		if err != nil {
			return nil, err
		}
		there, err := call(ctx, http.MethodPost, theirs+"/Patient", body, http.Header{"If-None-Exist": {"identifier=" + known(r)}})
		if err != nil {
			return nil, err
		}
		names = append(names, nameOf(there))
	}
	return names, nil
}
