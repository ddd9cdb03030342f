package fhir

import (
	"strings"
	"time"

	"fhirsvc/internal/fhir/timeline"
	"fhirsvc/internal/workflow"
)

// items are what happened in words, what was at one minute together.
func (s story) items() []timeline.Item {
	var list []timeline.Item
	add := func(at time.Time, words string) {
		if words != "" {
			list = append(list, timeline.Item{At: at, Words: words})
		}
	}
	start := "Start of compression"
	if !s.Told {
		start = "Counted from here: the start of compression was not told"
	}
	add(s.Began, start)
	for i, l := range s.Levels {
		switch {
		case i == 0:
			add(l.At, "in the band "+levelWords(l))
		case !l.Off && l.State != s.Levels[i-1].State: // that a band is off or on again is charted
			add(l.At, "from now on "+levelWords(l))
		}
	}
	told := map[string]bool{}
	for _, a := range s.Acts {
		told[a.Finding] = true
		s.actItem(a, add)
	}
	for _, f := range s.Findings {
		if !told[f.ID] {
			add(f.When(), findingWord(f, s.clock)+s.enteredWords(f))
		}
	}
	for _, x := range s.Adjusted {
		add(x.At, "the book put right by "+signed(x.Delta)+" mL ("+adjustedWords(x.Kind)+")")
	}
	for _, o := range s.Orders {
		add(o.Given, s.orderItem(o))
	}
	for _, x := range s.Moves {
		add(x.Found, "patient "+moveWords(x))
	}
	for _, d := range s.Delays {
		add(latest(d.Due, d.Done), s.delayItem(d))
	}
	sortBy(list, func(it timeline.Item) time.Time { return it.At })
	return byMinute(list)
}

// byMinute joins what was at one minute; a capital stands at the beginning alone.
func byMinute(list []timeline.Item) []timeline.Item {
	var out []timeline.Item
	for _, it := range list {
		n := len(out)
		if n > 0 && out[n-1].At.Truncate(time.Minute).Equal(it.At.Truncate(time.Minute)) {
			out[n-1].Words += "; " + it.Words
			continue
		}
		it.Words = strings.ToUpper(it.Words[:1]) + it.Words[1:]
		out = append(out, it)
	}
	return out
}

// levelWords says what the book says.
func levelWords(l workflow.AirLevel) string {
	switch {
	case l.Off:
		return "no band"
	case l.State == workflow.BookUnknown:
		return "an unknown volume"
	case l.State == workflow.BookUncertain:
		return "an uncertain volume, " + l.Volume.String() + " mL by the book"
	}
	return l.Volume.String() + " mL"
}

// enteredWords say when a finding was entered, where that was long after it was made.
func (s story) enteredWords(f workflow.Finding) string {
	if f.Recorded.Sub(f.When()) <= workflow.LateCharting {
		return ""
	}
	return " (entered " + s.clock(f.Recorded) + ")"
}

// findingWord says a finding, and nothing that a person wrote.
func findingWord(f workflow.Finding, clock func(time.Time) string) string {
	name := strings.ToLower(findingName(f.Code))
	switch f.Missing {
	case workflow.NotPerformed:
		return name + " not done"
	case workflow.CouldNotAssess:
		return name + " could not be assessed"
	case workflow.OtherwiseMissing:
		return name + " without a value"
	case "":
	}
	amount := ""
	if f.Amount != nil {
		amount = f.Amount.String()
	}
	switch f.Code {
	case workflow.Bleeding:
		return "site " + AnswerWords(f.Answer)
	case workflow.Patency:
		return "artery " + AnswerWords(f.Answer) + " (" + methodWords(f.Method) + ")"
	case workflow.AirVolume:
		return amount + " mL counted in the band"
	case workflow.AirRemoved:
		return amount + " mL out"
	case workflow.AirAdded:
		return amount + " mL in"
	case workflow.CompressionStart:
		return "start of compression charted as " + clock(f.Instant)
	case workflow.Band:
		return "band " + AnswerWords(f.Answer)
	case workflow.Haematoma:
		if f.Answer == workflow.Present {
			return "haematoma " + haematomaWords(&f)
		}
		return "no haematoma"
	case workflow.Hand:
		if f.Answer == workflow.Normal {
			return "hand normal"
		}
		return "hand not normal" + signWords(f.Signs)
	case workflow.Pulse:
		return "pulse " + AnswerWords(f.Answer)
	case workflow.Condition:
		return "patient " + AnswerWords(f.Answer)
	case workflow.Pain:
		return "pain " + amount + " of 10"
	case workflow.Pressure:
		return "systolic pressure " + amount + " mmHg"
	case workflow.Anticoagulant:
		return drugWords(f) + " given"
	case workflow.OtherFinding:
	}
	return "another finding charted"
}

// methodWords say shortly how patency was tested.
func methodWords(m workflow.Method) string {
	switch m {
	case workflow.WaveformUlnarCompressed:
		return "waveform, ulnar artery compressed"
	case workflow.Waveform:
		return "waveform, ulnar artery not compressed"
	case workflow.Doppler:
		return "Doppler"
	case workflow.Duplex:
		return "duplex"
	}
	return "method not told"
}

func drugWords(f workflow.Finding) string {
	if f.Drug == "" {
		return "anticoagulant"
	}
	return strings.ToLower(Code(f.Drug).Display())
}

func (s story) orderItem(o workflow.Order) string {
	words := "order: " + strings.ToLower(Code(o.Code).Display())
	if o.Amount != nil {
		words += ", " + o.Amount.String() + " mL"
	}
	if !o.Time.IsZero() {
		words += ", for " + s.clock(o.Time)
	}
	if !o.Until.IsZero() {
		words += ", until " + s.clock(o.Until)
	}
	return words
}

func moveWords(x workflow.Relocated) string {
	if x.Ended {
		return "left"
	}
	return "moved"
}

// adjustedLabel says beside the mark what does not go without saying.
func adjustedLabel(k workflow.EntryKind) string {
	if k == workflow.EntryTakenOff {
		return ", with the band"
	}
	return ""
}

func adjustedWords(k workflow.EntryKind) string {
	switch k {
	case workflow.EntryCounted:
		return "counted at the bedside"
	case workflow.EntryOrdered:
		return "ordered"
	case workflow.EntryTakenOff:
		return "it left with the band"
	case workflow.EntryStart, workflow.EntryRemoved, workflow.EntryAdded:
	}
	return string(k)
}

// actItem says how an act stands beside its plan: what was done, what was not, and what is
// ahead.
func (s story) actItem(a workflow.Act, add func(time.Time, string)) {
	name := strings.ToLower(taskWords(a.Key))
	switch {
	case !a.Done.IsZero():
		add(a.Done, name+": "+s.doneWords(a)+s.planWords(a))
	case a.Status.Finished():
		add(latest(a.From, a.Due), name+": skipped, refused or not done"+s.planWords(a))
	case s.running && !a.From.IsZero():
		words := "planned: " + name
		if a.Planned != nil {
			words += ", " + a.Planned.String() + " mL"
		}
		add(a.From, words)
	}
}

// doneWords say what was really done.
func (s story) doneWords(a workflow.Act) string {
	words := "done"
	for _, f := range s.Findings {
		if f.ID == a.Finding {
			words = findingWord(f, s.clock) + s.enteredWords(f)
		}
	}
	return words
}

func (s story) planWords(a workflow.Act) string {
	var parts []string
	if a.Planned != nil {
		parts = append(parts, a.Planned.String()+" mL")
	}
	if !a.From.IsZero() {
		times := s.clock(a.From)
		if due := s.clock(a.Due); a.Due.After(a.From) && due != times {
			times += " to " + due
		}
		parts = append(parts, times)
	}
	if len(parts) == 0 {
		return ""
	}
	return " (planned " + strings.Join(parts, ", ") + ")"
}

func (s story) delayItem(d workflow.Delay) string {
	name := strings.ToLower(taskWords(d.Key))
	if d.Done.IsZero() {
		return name + " was due and is LATE"
	}
	return name + " LATE by " + minutesWords(d.Done.Sub(d.Due)) + ", due " + s.clock(d.Due)
}

// signed writes a difference with its sign.
func signed(d workflow.Decimal) string {
	if d.Sign() > 0 {
		return "+" + d.String()
	}
	return strings.Replace(d.String(), "-", "−", 1)
}
