package fhir

import (
	"fmt"
	"strings"
	"time"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/tree"
	"fhirsvc/internal/workflow"
)

// Application is what a protocol is tried with. What is not told is zero.
type Application struct {
	Subject, Encounter, Practitioner string // literal references
	Start                            time.Time
	Volume                           *workflow.Decimal // mL
	Kind                             workflow.ProcedureKind
	Side                             workflow.Side
	At                               map[string]string // FHIRPath of each parameter's value
}

// DecodeApplication reads the Parameters of PlanDefinition/$apply
// (hl7.org/fhir/R4/plandefinition-operation-apply.html), and ours beside R4's: start,
// volume, kind and side. The result is nil when there is an error among the issues.
func DecodeApplication(doc *tree.Document) (*Application, []outcome.Issue) {
	r := newReader(doc, doc.Root, "")
	a := &Application{At: map[string]string{}}
	i := 0
	for n := range r.root.Get("parameter").Items() {
		at := fmt.Sprintf("parameter[%d]", i)
		i++
		name := n.Str("name")
		if _, twice := a.At[name]; twice {
			r.fault(outcome.CodeNotSupported, at, n, "%s stands here twice: one plan is given at a time", name)
			continue
		}
		a.At[name] = r.at(at + ".value")
		r.parameter(a, name, n, at)
	}
	if _, told := a.At["subject"]; !told {
		r.fault(outcome.CodeRequired, "parameter", nil, "subject is needed: a valueString such as Patient/1")
	}
	if outcome.HasErrors(r.issues) {
		return nil, r.issues
	}
	return a, nil
}

func (r *reader) parameter(a *Application, name string, n *tree.Node, at string) {
	switch name {
	case "subject":
		a.Subject = r.literal(n, at, "Patient")
	case "encounter":
		a.Encounter = r.literal(n, at, "Encounter")
	case "practitioner":
		a.Practitioner = r.literal(n, at, "Practitioner")
	case "start":
		t, ok := readTime(n.Get("valueDateTime"))
		if !ok {
			r.fault(outcome.CodeValue, at+".value", n, "start is a valueDateTime with an offset, such as 2026-01-31T14:05:00+01:00")
		}
		a.Start = t
	case "volume":
		a.Volume = r.amount(n.Get("valueQuantity"), at+".value", UnitMillilitre)
	case "kind":
		a.Kind = workflow.ProcedureKind(n.Str("valueCode"))
		if a.Kind != workflow.Diagnostic && a.Kind != workflow.Intervention {
			r.fault(outcome.CodeCodeInvalid, at+".value", n, "kind is the valueCode diagnostic or intervention")
		}
	case "side":
		a.Side = workflow.Side(n.Str("valueCode"))
		if a.Side != workflow.Right && a.Side != workflow.Left {
			r.fault(outcome.CodeCodeInvalid, at+".value", n, "side is the valueCode right or left")
		}
	default:
		r.fault(outcome.CodeNotSupported, at, n, "the parameter %q is not served: subject, encounter, practitioner, start, volume, kind and side are", name)
	}
}

// literal reads a reference to a resource of a type, which R4 has as a string here.
func (r *reader) literal(n *tree.Node, at, resourceType string) string {
	ref := n.Str("valueString")
	if id, ok := strings.CutPrefix(ref, resourceType+"/"); !ok || id == "" {
		r.fault(outcome.CodeValue, at+".value", n, "a valueString such as %s/1 is needed", resourceType)
	}
	return ref
}
