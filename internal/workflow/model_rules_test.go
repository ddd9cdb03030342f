package workflow_test

import (
	"fmt"
	"slices"
	"time"

	"fhirsvc/internal/workflow"
)

// move is one step of an episode, as the rules see it.
type move struct {
	before  *workflow.Episode
	wake    time.Time // when the state before asked to be woken
	in      workflow.Input
	after   *workflow.Episode
	effects []workflow.Effect
	err     error
	w       *witness
	p       workflow.Protocol
	ledger  []workflow.Entry
	again   bool // step once more and compare
}

// take steps the episode and gives the move and the state after.
func (b *bed) take(in workflow.Input) (*move, bed) {
	next := bed{wake: b.wake}
	m := &move{before: &b.e, wake: b.wake, in: in}
	next.e, m.effects, m.err = workflow.Step(b.e, in)
	for _, eff := range m.effects {
		if w, ok := eff.(workflow.WakeAt); ok {
			next.wake = w.At
		}
	}
	m.after, m.w, m.p, m.ledger = &next.e, watch(&next.e), protocol(&next.e), next.e.Ledger()
	return m, next
}

// rule is one thing that must be true after every step. Number is the design rule that it
// stands for; the check gives what is wrong, "" if nothing is.
type rule struct {
	number int
	name   string
	check  func(m *move) string
}

// rules are the thirteen design rules, as far as they can be seen without a store: of 7
// and 8 and of the history of corrections (9) the rest is shown with the store.
func rules() []rule {
	return slices.Concat(bookRules(), offerRules(), turnRules(), recordRules(), callRules())
}

// offered gives the Tasks of the code that are somebody's turn and not yet begun.
func (m *move) offered(code workflow.TaskCode) []workflow.Task {
	var list []workflow.Task
	for _, t := range m.after.Tasks {
		if t.Key.Code == code && t.Status.Turn() && len(t.Outputs) == 0 {
			list = append(list, t)
		}
	}
	return list
}

func (m *move) open(code workflow.TaskCode) []workflow.Task {
	var list []workflow.Task
	for _, t := range m.after.Tasks {
		if t.Key.Code == code && !t.Status.Finished() {
			list = append(list, t)
		}
	}
	return list
}

func (m *move) book() workflow.Book { return m.after.Plan.Summary.Book }

func (m *move) bandOn() bool { return m.after.Plan.Summary.BandOn }

func (m *move) active() bool { return m.after.Protocol != nil && !m.w.stopped }

// bookRules: design rule 1.
func bookRules() []rule {
	return []rule{
		{1, "the ledger is what was charted and adds up to the book", ledgerAddsUp},
		{1, "an adjustment has an author and a reason", adjustmentsSpeak},
		{1, "a start that was not told stays unknown", unknownStaysUnknown},
		{1, "a book below nothing or above the device is in doubt", impossibleIsDoubt},
		{1, "like entries within minutes put the volume in doubt", twinsAreDoubt},
		{1, "a count at odds with the book puts the volume in doubt", oddCountIsDoubt},
		{1, "no planned volume and no removal while the volume is in doubt", nothingPlannedInDoubt},
		{1, "no step goes below nothing or above the device", plansWithinDevice},
		{1, "a Task with a volume says how sure it is", volumeSaysConfirmed},
		{1, "the last step is to draw until nothing comes", lastStepDraws},
	}
}

func ledgerAddsUp(m *move) string {
	var sum, charted, posted workflow.Decimal
	for _, x := range m.ledger {
		sum = sum.Add(x.Delta)
		if x.Kind == workflow.EntryRemoved || x.Kind == workflow.EntryAdded {
			posted = posted.Add(x.Delta)
		}
	}
	for _, f := range m.w.facts {
		switch {
		case !f.Real():
		case f.Code == workflow.AirRemoved:
			charted = charted.Sub(*f.Amount)
		case f.Code == workflow.AirAdded:
			charted = charted.Add(*f.Amount)
		}
	}
	if charted.Cmp(posted) != 0 {
		return fmt.Sprintf("%s mL were charted, the ledger has %s", charted, posted)
	}
	if b := m.book(); b.State != workflow.BookUnknown && sum.Cmp(b.Volume) != 0 {
		return fmt.Sprintf("the ledger adds up to %s, the book says %s", sum, b.Volume)
	}
	return ""
}

func adjustmentsSpeak(m *move) string {
	for _, x := range m.ledger {
		switch x.Kind {
		case workflow.EntryCounted, workflow.EntryOrdered, workflow.EntryTakenOff:
			if x.Reason == "" || x.By == "" {
				return fmt.Sprintf("%s of %s mL by %q because of %q", x.Kind, x.Delta, x.By, x.Reason)
			}
		case workflow.EntryStart, workflow.EntryRemoved, workflow.EntryAdded:
		}
	}
	return ""
}

func unknownStaysUnknown(m *move) string {
	if counts(m.after).Volume != nil || !m.bandOn() || m.book().State == workflow.BookUnknown {
		return ""
	}
	told := slices.ContainsFunc(m.w.facts, func(f workflow.Finding) bool { return f.Code == workflow.AirVolume && f.Real() }) ||
		slices.ContainsFunc(m.after.Orders, func(o workflow.Order) bool { return o.Code == workflow.OrderAdjustVolume }) ||
		m.w.toEmpty // the syringe that draws nothing settles it
	if !told {
		return "nobody told a volume, and the book says " + m.book().Volume.String()
	}
	return ""
}

func impossibleIsDoubt(m *move) string {
	b := m.book()
	if !m.bandOn() || b.State != workflow.BookKnown {
		return ""
	}
	if b.Volume.Sign() < 0 {
		return fmt.Sprintf("%s mL is %s", b.Volume, b.State)
	}
	settled := false // by a person, since air was added
	for _, x := range m.ledger {
		settled = x.Kind != workflow.EntryAdded && (settled || x.Kind == workflow.EntryCounted || x.Kind == workflow.EntryOrdered)
	}
	if m.p.DeviceMaximum.Less(b.Volume) && !settled {
		return fmt.Sprintf("%s mL is %s, more than the device holds", b.Volume, b.State)
	}
	return ""
}

func twinsAreDoubt(m *move) string {
	if m.book().State != workflow.BookKnown || !m.bandOn() {
		return ""
	}
	for _, code := range []workflow.FindingCode{workflow.AirRemoved, workflow.AirAdded} {
		var last *workflow.Finding
		for i := range m.w.facts {
			f := &m.w.facts[i]
			if f.Code == workflow.Band && f.Answer == workflow.BandReplaced {
				last = nil // what comes after is about another band
			}
			if f.Code != code || !f.Real() || f.Amount.Sign() == 0 {
				continue
			}
			if last != nil && last.Amount.Cmp(*f.Amount) == 0 && f.When().Sub(last.When()) <= m.p.TwinWithin && !m.settledSince(f) {
				return fmt.Sprintf("%s of %s mL at %s and %s, and the book is known", code, f.Amount, clock(last.When()), clock(f.When()))
			}
			last = f
		}
	}
	return ""
}

// oddCountIsDoubt: one count that contradicts a known book is a question, no answer.
func oddCountIsDoubt(m *move) string {
	was := m.before.Plan.Summary.Book
	f := m.findings()
	if m.err != nil || len(f) != 1 || f[0].Code != workflow.AirVolume || !f[0].Real() || was.State != workflow.BookKnown || !m.bandOn() || m.w.toEmpty || len(m.w.facts) == 0 {
		return ""
	}
	last := &m.w.facts[len(m.w.facts)-1]
	if f[0].Amount.Cmp(was.Volume) != 0 && last.ID == f[0].ID && m.book().State == workflow.BookKnown {
		return fmt.Sprintf("%s mL were counted while the book said %s, and it is known", f[0].Amount, was.Volume)
	}
	return ""
}

// settledSince reports whether an order, another band or a count came after the finding;
// a count that was entered with it settles nothing.
func (m *move) settledSince(f *workflow.Finding) bool {
	if slices.ContainsFunc(m.w.facts, func(x workflow.Finding) bool {
		return x.Code == workflow.Band && x.Answer == workflow.BandReplaced && !x.When().Before(f.When())
	}) {
		return true
	}
	return slices.ContainsFunc(m.ledger, func(x workflow.Entry) bool {
		switch x.Kind {
		case workflow.EntryOrdered, workflow.EntryTakenOff:
			return !x.At.Before(f.When())
		case workflow.EntryCounted:
			return slices.ContainsFunc(m.w.facts, func(c workflow.Finding) bool {
				return c.Code == workflow.AirVolume && c.When().Equal(x.At) && !x.At.Before(f.When()) && c.Recorded.After(f.Recorded)
			})
		case workflow.EntryStart, workflow.EntryRemoved, workflow.EntryAdded:
		}
		return false
	})
}

func nothingPlannedInDoubt(m *move) string {
	if m.book().State == workflow.BookKnown || !m.bandOn() {
		return ""
	}
	for _, code := range []workflow.TaskCode{workflow.ReleaseStep, workflow.EaseCompression, workflow.BandRemoval, workflow.RestoreCompression} {
		for _, t := range m.open(code) {
			if t.Planned != nil && len(t.Outputs) == 0 && !m.w.toEmpty {
				return fmt.Sprintf("%s plans %s mL while the volume is %s", t.Key, t.Planned, m.book().State)
			}
			if t.Status.Turn() && len(t.Outputs) == 0 && code != workflow.RestoreCompression && (!m.w.toEmpty || code != workflow.ReleaseStep) {
				return fmt.Sprintf("%s is offered while the volume is %s", t.Key, m.book().State)
			}
		}
	}
	return ""
}

func plansWithinDevice(m *move) string {
	left := m.book().Volume
	if m.book().State != workflow.BookKnown {
		return ""
	}
	for _, t := range m.after.Tasks {
		if t.Status.Finished() || t.Planned == nil || len(t.Outputs) > 0 {
			continue
		}
		switch {
		case t.Planned.Sign() <= 0:
			return fmt.Sprintf("%s plans %s mL", t.Key, t.Planned)
		case t.Key.Code == workflow.RestoreCompression && m.p.DeviceMaximum.Less(m.book().Volume.Add(*t.Planned)):
			return fmt.Sprintf("%s goes above the maximum", t.Key)
		case t.Key.Code == workflow.EaseCompression && m.book().Volume.Less(*t.Planned):
			return fmt.Sprintf("%s takes more than the book has", t.Key)
		case t.Key.Code == workflow.ReleaseStep:
			left = left.Sub(*t.Planned)
		}
	}
	if left.Sign() < 0 {
		return fmt.Sprintf("the steps planned take %s mL too much", left)
	}
	return ""
}

func volumeSaysConfirmed(m *move) string {
	for _, t := range m.after.Tasks {
		if b := t.Book; b != nil && b.State != workflow.BookUnknown && (b.Confirmed.IsZero() || b.By == "") {
			return fmt.Sprintf("%s shows %s mL, confirmed at %s by %q", t.Key, b.Volume, clock(b.Confirmed), b.By)
		}
	}
	for _, code := range []workflow.TaskCode{workflow.ReleaseStep, workflow.BandRemoval} {
		for _, t := range m.offered(code) {
			if t.Book == nil {
				return fmt.Sprintf("%s is offered and shows no volume", t.Key)
			}
		}
	}
	return ""
}

func lastStepDraws(m *move) string {
	for _, t := range m.offered(workflow.ReleaseStep) {
		if m.book().State == workflow.BookKnown && t.Planned != nil && t.Planned.Cmp(m.book().Volume) == 0 && !mentions(t, "until nothing comes") {
			return fmt.Sprintf("%s takes the last %s mL and says %q", t.Key, t.Planned, t.Description)
		}
	}
	return ""
}

// emptySince is since when it is known that no air is left in the band, zero while there
// is some: since it left, or since a person settled it.
func (m *move) emptySince() time.Time {
	var sum workflow.Decimal
	var since time.Time
	for _, x := range m.ledger {
		sum = sum.Add(x.Delta)
		settled := x.Kind == workflow.EntryCounted || x.Kind == workflow.EntryOrdered
		if settled || x.Delta.Sign() != 0 || since.IsZero() {
			since = x.At
		}
		if sum.Sign() != 0 {
			since = time.Time{}
		}
	}
	return since
}
