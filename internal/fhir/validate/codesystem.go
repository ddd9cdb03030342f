package validate

import (
	"strings"

	"fhirsvc/internal/fhir/definitions"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/tree"
)

// mostUnknown bounds the remarks on unknown code systems in one text, so that they leave
// room for others.
const mostUnknown = 20

// codeOf holds the code of a Coding or Quantity to its code system: that the system is
// named by an absolute URI, so that it is one system everywhere
// (hl7.org/fhir/R4/terminologies.html#system), and, where its codes are at hand, that
// it has the code and says the display. Of a system that nobody here knows it tells so.
func (w *walker) codeOf(n *tree.Node) {
	system := n.Get("system")
	if !system.Is(tree.String) || external(system.Text) {
		return
	}
	if !absolute(system.Text) {
		w.warnf(system, "system", outcome.CodeInvalid, "coding-system", "%q is not absolute: name the code system by its whole URI", clip(system.Text))
		return
	}
	s := w.v.schema.codeSystem(system.Text)
	if s == nil {
		w.unknownSystem(system)
		return
	}
	code := n.Str("code")
	switch {
	case code == "":
	case !s.Has(code):
		w.warnf(n, "code", outcome.CodeCodeInvalid, "code-system", "%q is not a code of %s", clip(code), clip(system.Text))
	default:
		w.display(n.Get("display"), s, code)
	}
}

// external names the code systems that R4 builds on and that no package can hold whole
// (hl7.org/fhir/R4/terminologies-systems.html).
func external(system string) bool {
	switch system {
	case "http://snomed.info/sct", "http://loinc.org", "http://unitsofmeasure.org":
		return true
	}
	return false
}

// unknownSystem tells that the codes of a system were not looked up. Systems that R4's
// own value sets draw on are known by name.
func (w *walker) unknownSystem(system *tree.Node) {
	if w.unknown == mostUnknown {
		return
	}
	if system.Text != w.lastUnknown { // often it is the same one everywhere
		if w.v.schema.names(system.Text) {
			return
		}
		w.lastUnknown = system.Text
		w.unknownSays = "the code system \"" + clip(system.Text) + "\" is not known here: its codes were not checked"
	}
	w.unknown++
	w.report(outcome.Issue{
		Severity: outcome.SeverityInformation, Code: outcome.CodeInformational, Rule: "unknown-system", Details: w.unknownSays,
	}, system, "system")
}

// display holds Coding.display to its definition: "A representation of the meaning of
// the code in the system, following the rules of the system"
// (hl7.org/fhir/R4/datatypes-definitions.html#Coding.display). Capitals and white space
// do not count.
func (w *walker) display(display *tree.Node, s *definitions.CodeSystem, code string) {
	if !display.Is(tree.String) {
		return
	}
	known := s.Displays(code)
	for _, d := range known {
		if sameWords(d, display.Text) {
			return
		}
	}
	if len(known) > 0 {
		w.warnf(display, "display", outcome.CodeInvalid, "display", "%q is not what %s calls %q: that is %q",
			clip(display.Text), clip(s.URL), clip(code), clip(known[0]))
	}
}

// sameWords compares two texts, capitals and white space apart.
func sameWords(a, b string) bool {
	return strings.EqualFold(a, b) || strings.EqualFold(strings.Join(strings.Fields(a), " "), strings.Join(strings.Fields(b), " "))
}
