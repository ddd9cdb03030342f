package validate

import (
	"fhirsvc/internal/fhir/definitions"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/tree"
)

// binding is a value set that an element's codes must, or should, come from.
type binding struct {
	required bool
	set      *definitions.ValueSet // nil when there is no such set here
	limit    *definitions.ValueSet // maxValueSet of an extensible or weaker binding
}

func (s *schema) binding(b *definitions.Binding) *binding {
	if b == nil {
		return nil
	}
	out := &binding{required: b.Strength == "required"}
	if b.Strength != "" && b.ValueSet != "" {
		out.set = s.valueSet(b.ValueSet)
	}
	if b.MaxValueSet != "" {
		out.limit = s.valueSet(b.MaxValueSet)
	}
	return out
}

// coded checks the codes of an element, whose value is not nil, against its binding.
func (w *walker) coded(b *binding, m *member, value *tree.Node) {
	if b.set != nil {
		w.codedIn(b.set, b.required, m, value)
	}
	if b.limit != nil {
		w.codedIn(b.limit, true, m, value)
	}
}

func (w *walker) codedIn(set *definitions.ValueSet, required bool, m *member, value *tree.Node) {
	switch m.def.Type.Name {
	case "code", "string", "uri", "url", "canonical", "id", "markdown":
		if !set.HasCode(value.Text) && !matchesOpen(set, value.Text) {
			w.notIn(set, required, value, value.Text)
		}
	case "Coding":
		if !codingIn(set, value) && value.Str("code") != "" {
			w.notIn(set, required, value, codingText(value))
		}
	case "Quantity", "Age", "Duration", "Distance", "Count", "Money", "SimpleQuantity":
		if c := value.Str("code"); c != "" && !set.Has(value.Str("system"), c) {
			w.notIn(set, required, value, codingText(value))
		}
	case "CodeableConcept":
		w.conceptIn(set, required, value)
	}
}

// conceptIn looks for one coding of a concept that is in the set. A required set
// wants one; an extensible one is satisfied by text alone.
func (w *walker) conceptIn(set *definitions.ValueSet, required bool, value *tree.Node) {
	coding := value.Get("coding")
	if coding == nil {
		if required && value.Get("extension") == nil {
			w.errorf(value, "", outcome.CodeCodeInvalid, "required", "a code is required from the value set %s", set.URL)
		}
		return
	}
	for c := range coding.Items() {
		if codingIn(set, c) || c.Str("code") == "" && !required {
			return
		}
	}
	w.notIn(set, required, value, codingText(coding.First()))
}

func codingIn(set *definitions.ValueSet, coding *tree.Node) bool {
	system, code := coding.Str("system"), coding.Str("code")
	if set.Has(system, code) {
		return true
	}
	return (system == "urn:ietf:bcp:47" || system == "urn:ietf:bcp:13") && matchesOpen(set, code)
}

func codingText(n *tree.Node) string { return n.Str("system") + "|" + n.Str("code") }

// notIn reports a code outside its set: an error when the set is required and known
// whole, information when it is not known whole.
func (w *walker) notIn(set *definitions.ValueSet, required bool, at *tree.Node, shown string) {
	switch {
	case set.URL == allLanguages && required:
		w.errorf(at, "", outcome.CodeCodeInvalid, "required", "%q is not a language tag: write it as BCP 47 has it, such as de or de-CH", clip(shown))
	case set.Open:
		w.informf(at, "", outcome.CodeInformational, "binding", "%q could not be looked up: the value set %s is not known whole", clip(shown), set.URL)
	case required:
		w.errorf(at, "", outcome.CodeCodeInvalid, "required", "%q is not in the value set %s: use one of its codes", clip(shown), set.URL)
	default:
		w.warnf(at, "", outcome.CodeCodeInvalid, "extensible", "%q is not in the value set %s: use one of its codes if one fits", clip(shown), set.URL)
	}
}

// allLanguages is the set of all language tags, which limits every language element.
const allLanguages = "http://hl7.org/fhir/ValueSet/all-languages"

// matchesOpen knows the form of codes from grammars, which no list holds: MIME
// types (BCP 13) and language tags (BCP 47).
func matchesOpen(set *definitions.ValueSet, code string) bool {
	switch set.URL {
	case "http://hl7.org/fhir/ValueSet/mimetypes", "http://www.rfc-editor.org/bcp/bcp13.txt":
		return isMIME(code)
	case allLanguages:
		return isLanguage(code)
	}
	return false
}

// isMIME wants type/subtype and lets parameters follow.
func isMIME(s string) bool {
	slash := -1
	for i := range len(s) {
		c := s[i]
		if c == ';' || c == ' ' {
			return slash > 0 && i > slash+1
		}
		if c == '/' && slash < 0 {
			slash = i
			continue
		}
		if !isAlnum(c) && c != '!' && c != '#' && c != '$' && c != '&' && c != '-' && c != '^' && c != '_' && c != '.' && c != '+' {
			return false
		}
	}
	return slash > 0 && slash < len(s)-1
}

// isLanguage wants subtags of 1 to 8 letters or digits, the first of letters.
func isLanguage(s string) bool {
	length, first := 0, true
	for i := 0; i <= len(s); i++ {
		if i == len(s) || s[i] == '-' {
			if length == 0 || length > 8 || first && length < 2 && s[:1] != "x" && s[:1] != "i" {
				return false
			}
			length, first = 0, false
			continue
		}
		if !isAlnum(s[i]) || first && s[i] <= '9' {
			return false
		}
		length++
	}
	return true
}
