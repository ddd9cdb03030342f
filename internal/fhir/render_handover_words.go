package fhir

import (
	"strconv"
	"strings"

	"fhirsvc/internal/fhir/tree"
	"fhirsvc/internal/workflow"
)

// orNone says that a list is empty: on a page to hand over, nothing is an answer.
func orNone(lines []string) []string {
	if len(lines) == 0 {
		return []string{"none"}
	}
	return lines
}

func orNothing(words string) string {
	if words == "" {
		return "none"
	}
	return words
}

// heldWords says with how much air in the band the last bleed stopped.
func (c Context) heldWords(h workflow.Handover) string {
	if h.Held.IsZero() {
		return ""
	}
	return "; dry at " + c.clock(h.Held) + airWords(h.HeldWith)
}

func airWords(volume *workflow.Decimal) string {
	if volume == nil {
		return ", nobody knows with how much air"
	}
	return " with " + volume.String() + " mL in the band by the book"
}

func testWords(h workflow.Handover) string {
	if h.Test == nil {
		return ""
	}
	return airWords(h.Tested) + ", by " + strings.ToLower(Code(h.Test.Method).Display())
}

func haematomaWords(f *workflow.Finding) string {
	words := "present"
	if f.Amount != nil {
		words += ", " + f.Amount.String() + " cm"
	}
	if f.Grade > 0 {
		words += ", grade " + string([]Code{CodeGradeI, CodeGradeII, CodeGradeIII, CodeGradeIV, CodeGradeV}[f.Grade-1])
	}
	return words
}

func signWords(signs []workflow.HandSign) string {
	words := ""
	for i, s := range signs {
		words += []string{": ", ", "}[min(i, 1)] + string(s)
	}
	return words
}

// orderLines say the orders in force, with what they order and by whom.
func (c Context) orderLines(orders []workflow.Order) []string {
	var lines []string
	for _, o := range orders {
		line := Code(o.Code).Display()
		if o.Amount != nil {
			line += ", " + o.Amount.String() + " mL"
		}
		if !o.Time.IsZero() {
			line += ", for " + c.clock(o.Time)
		}
		if !o.Until.IsZero() {
			line += ", until " + c.clock(o.Until)
		}
		lines = append(lines, line+". Ordered by "+c.name(o.By)+" at "+c.clock(o.Given)+": "+clean(o.Reason)+".")
	}
	return lines
}

// doseLines say the drugs and when they were given, from the records of them. A kind that
// only the event named stands without a time.
func (c Context) doseLines(p Page) []string {
	var lines []string
	told := map[workflow.Drug]bool{}
	for _, x := range p.Parts {
		if x.Type != "MedicationAdministration" {
			continue
		}
		doc, _ := tree.Parse(x.Body)
		if doc == nil {
			continue
		}
		r := newReader(doc, doc.Root, "")
		medication := r.medication(finder(nil, r.root))
		if drug, known := ReadDrug(medication); known && r.given() {
			told[drug] = true
			lines = append(lines, c.doseLine(r, medication))
		}
	}
	for _, d := range p.State.Drugs {
		if !told[d] {
			lines = append(lines, Code(d).Display()+", told with the procedure, without a time")
		}
	}
	return lines
}

func (c Context) doseLine(r *reader, medication CodeableConcept) string {
	line := clean(medication.label())
	dosage := r.root.Get("dosage")
	if q := readQuantity(dosage.Get("dose")); q.Value != "" {
		line += " " + string(q.Value) + " " + clean(q.Unit)
	} else if text := clean(dosage.Str("text")); text != "" {
		line += " (" + text + ")"
	}
	at := r.givenAt()
	switch {
	case at.IsZero():
		line += ", time not told"
	case r.root.Str("status") == "in-progress":
		line += ", running since " + c.clock(at)
	default:
		line += ", at " + c.clock(at)
	}
	return line
}

// calledWords say whom a Task was called to last, how often, and what it is about.
func (c Context) calledWords(x workflow.Notice) string {
	words := LevelWords(x.Level) + ", called at " + c.clock(x.At)
	if x.Ordinal > 1 {
		words += ", call number " + strconv.Itoa(x.Ordinal)
	}
	return words + ", about " + taskWords(x.Task) + ": " + noticeWords(x)
}

// patientWords name the patient as the record does: name, birth date, identifiers.
func patientWords(body []byte) string {
	doc, _ := tree.Parse(body)
	if doc == nil {
		return "not known"
	}
	var parts []string
	if name := doc.Root.Get("name").At(0); name != nil {
		words := name.Str("text")
		if words == "" {
			for given := range name.Get("given").Items() {
				words += given.Text + " "
			}
			words += name.Str("family")
		}
		parts = append(parts, clean(words))
	}
	if born := doc.Root.Str("birthDate"); born != "" {
		parts = append(parts, "born "+clean(born))
	}
	for n := range doc.Root.Get("identifier").Items() {
		if v := clean(n.Str("value")); v != "" {
			parts = append(parts, strconv.Quote(v))
		}
	}
	if len(parts) == 0 {
		return "not named"
	}
	return strings.Join(parts, ", ")
}
