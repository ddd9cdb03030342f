package profiles

import (
	"fmt"
	"slices"
	"strings"
	"sync"

	"fhirsvc/api"
	"fhirsvc/internal/fhir/definitions"
	"fhirsvc/internal/fhir/tree"
	"fhirsvc/internal/fhir/validate"
)

// Base stands before the id of each profile.
const Base = "https://fhirsvc.example/fhir/StructureDefinition/"

// localCodes is the project's own code system.
const localCodes = "https://fhirsvc.example/fhir/CodeSystem/radial-compression"

// guide is what api publishes, made ready once.
var guide = sync.OnceValue(func() definitions.Guide {
	var resources [][]byte
	for _, body := range api.Conformance() {
		resources = append(resources, body)
	}
	g, err := definitions.R4().ReadGuide(resources...)
	if err != nil {
		panic(fmt.Errorf("embedded profiles: %w", err)) // the build is broken
	}
	return g
})

// All gives the profiles, in order of URL.
func All() []*definitions.Profile { return guide().Profiles }

// Find gives the profile of a canonical URL, the project's own or a published one; nil
// when neither has it.
func Find(url string) *definitions.Profile {
	bare := definitions.WithoutVersion(url)
	i := slices.IndexFunc(All(), func(p *definitions.Profile) bool { return p.URL == bare })
	if i < 0 {
		return definitions.R4().Profile(bare)
	}
	return All()[i]
}

// Strict holds every resource to R4 and to the profile that fits what it says. All
// faults are errors.
func Strict() validate.Options {
	return validate.Options{Guide: guide(), Coded: findings(), Select: selected}
}

// Incoming is Strict, but faults against the project's profiles are warnings: what was
// charted is kept, and only what cannot be understood is refused, by who reads it.
func Incoming() validate.Options {
	o := Strict()
	o.Advise = true
	return o
}

// Outgoing is Strict, and every plan, Task, contradiction, call, picture and record of an
// access is one of the project's own.
func Outgoing() validate.Options {
	o := Strict()
	o.Require = map[string][]string{
		"CarePlan": {Base + "compression-release-plan"},
		"Task":     {Base + "compression-release-task"},

		"DetectedIssue": {Base + "compression-release-issue"},
		"Communication": {Base + "compression-release-call"},

		"DocumentReference": {Base + "compression-release-timeline"},

		"AuditEvent": {Base + "access-record"},
	}
	return o
}

// IsAdvice reports whether a rule is one of the project's profiles, as Incoming names
// them.
func IsAdvice(rule string) bool { return strings.HasPrefix(rule, Base) }

// findings names the profile of each bedside finding by its code.
func findings() map[string]string {
	const loinc = "http://loinc.org|"
	out := map[string]string{loinc + "44974-4": Base + "distal-radial-pulse", loinc + "72514-3": Base + "pain-score"}
	for _, code := range []string{
		"access-site-bleeding", "radial-patency-test", "band-air-volume", "band-air-removed", "band-air-added",
		"compression-start", "band-state", "access-site-haematoma", "hand-check", "general-condition",
	} {
		out[localCodes+"|"+code] = Base + code
	}
	return out
}

// selected names the profile of what is told by more than an Observation's code.
func selected(n *tree.Node) string {
	switch n.Str("resourceType") {
	case "Bundle":
		if header := n.Get("entry").At(0).Get("resource"); tellsProcedure(header) {
			return Base + "procedure-completed-message"
		}
	case "MessageHeader":
		if tellsProcedure(n) {
			return Base + "procedure-completed-header"
		}
	case "Procedure":
		if has(n, "procedure-kind") {
			return Base + "catheterization-procedure"
		}
	case "MedicationAdministration":
		return Base + "medication-given"
	case "ServiceRequest":
		if has(n, "order-kind") {
			return Base + "release-order"
		}
	}
	return ""
}

// tellsProcedure reports whether a MessageHeader is that of the event; an answer to it
// names the same event.
func tellsProcedure(header *tree.Node) bool {
	event := header.Get("eventCoding")
	return header.Str("resourceType") == "MessageHeader" && header.Get("response") == nil &&
		event.Str("system") == localCodes && event.Str("code") == "procedure-completed"
}

// has reports whether a resource's code is one of a value set.
func has(n *tree.Node, valueSet string) bool {
	i := slices.IndexFunc(guide().ValueSets, func(v *definitions.ValueSet) bool { return strings.HasSuffix(v.URL, "/"+valueSet) })
	for c := range n.Get("code").Get("coding").Items() {
		if guide().ValueSets[i].Has(c.Str("system"), c.Str("code")) {
			return true
		}
	}
	return false
}
