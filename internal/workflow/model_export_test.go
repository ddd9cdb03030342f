package workflow

import (
	"cmp"
	"crypto/sha256"
	"slices"
	"strconv"
	"time"
)

// ModelKey names the class of an episode for the model check. Two episodes with the same
// key have the same future under every input that is found not before what they already
// know and that does not take back, correct or re-attach what they know: Step reads
// nothing of them but what is written here, and reads times by their differences alone.
//
// It forgets ids, absolute times, display texts, the facts behind the view, and of the
// finished Tasks all but what fact.go, checks.go, plan.go, removal.go, review.go and
// withhold.go ask of them. TestModelKey holds it against Step itself.
func ModelKey(e *Episode) [16]byte {
	k := keyWriter{now: e.Last}
	k.view(newView(e))
	k.history(e)
	k.openTasks(e)
	for _, f := range e.Flags {
		k.text(string(f.Code)).flag(f.Active)
	}
	for _, is := range e.Issues {
		k.text(string(is.Code)).at(is.Since).flag(is.Settled.IsZero())
	}
	sum := sha256.Sum256(k.b)
	return [16]byte(sum[:16])
}

// keyWriter writes values so that different values give different bytes.
type keyWriter struct {
	b   []byte
	now time.Time
}

func (k *keyWriter) text(s string) *keyWriter {
	k.b = append(strconv.AppendInt(k.b, int64(len(s)), 10), ':')
	k.b = append(k.b, s...)
	return k
}

func (k *keyWriter) number(n int64) *keyWriter {
	k.b = append(strconv.AppendInt(k.b, n, 10), ',')
	return k
}

func (k *keyWriter) flag(b bool) *keyWriter { return k.text(strconv.FormatBool(b)) }

// at writes an instant by its distance from now.
func (k *keyWriter) at(t time.Time) *keyWriter {
	if t.IsZero() {
		return k.text("-")
	}
	return k.number(int64(t.Sub(k.now)))
}

func (k *keyWriter) decimal(d *Decimal) *keyWriter {
	if d == nil {
		return k.text("-")
	}
	return k.text(d.String())
}

func (k *keyWriter) finding(f *Finding) *keyWriter {
	if f == nil {
		return k.text("-")
	}
	for _, s := range f.Signs {
		k.text(string(s))
	}
	return k.text(string(f.Code)).at(f.When()).text(string(f.Answer)).decimal(f.Amount).flag(f.Real()).number(int64(f.Grade))
}

func (k *keyWriter) view(v *view) {
	k.at(v.start).at(v.first).number(int64(v.band.worn)).at(v.skipped).at(v.titrated)
	k.finding(v.body.unwell).finding(v.body.hand).at(v.body.suffers).finding(v.body.swelling).finding(v.body.pain).finding(v.body.dose).decimal(v.body.pressure)
	if n := len(v.releases); n > 0 {
		k.at(v.releases[0].at).at(v.releases[n-1].at).flag(v.releases[n-1].told)
	}
	if v.ev != nil {
		k.event(v)
	}
	k.ledger(&v.ledger)
	k.at(v.band.off).flag(v.band.planned).finding(v.band.odd).finding(v.band.last)
	k.site(&v.site)
	w := &v.flow
	k.finding(w.last).flag(w.stale).number(int64(w.tries)).at(w.easedAt).number(int64(w.turns)).number(int64(v.inconclusives()))
	k.orders(&v.orders)
	k.at(v.travel.last).at(v.travel.ended)
	for _, c := range v.concerns {
		k.text(c.cause).text(string(c.priority)).at(c.at).flag(c.withholds).flag(c.cleared)
	}
}

func (k *keyWriter) event(v *view) {
	ev := v.ev
	k.at(ev.Recorded).at(ev.PerformedEnd).at(ev.CompressionStart).text(string(ev.Kind)).text(string(ev.Side)).
		text(ev.Refs.Subject).decimal(ev.INR).decimal(ev.Volume).decimal(ev.BandMaximum).text(ev.OtherPlan).flag(v.corrected())
	for _, d := range v.given() {
		k.text(string(d))
	}
	k.flag(ev.Titrated == nil)
	if v.revoked != nil {
		k.at(v.revoked.At)
	}
}

func (k *keyWriter) ledger(l *ledger) {
	k.flag(l.opened).flag(l.known).text(l.start.String()).text(l.volume.String()).text(l.max.String()).flag(l.confirmed.IsZero())
	k.at(l.changed).at(l.added).text(l.out.String()).at(l.emptied).finding(l.lastOut).finding(l.lastIn)
	for _, d := range l.doubts {
		k.at(d.at).at(d.raised).flag(d.entry).text(string(d.issue))
	}
}

func (k *keyWriter) site(s *site) {
	k.finding(s.last).flag(s.last == s.latest).number(int64(s.bleeds)).at(s.lastAt).at(s.hold).at(s.puzzle).number(int64(s.dry)).at(s.dryOff)
	for _, b := range []*bleed{s.bleed, s.afterOff} {
		if b != nil {
			k.flag(b.active).flag(b.flash).at(b.since).at(b.restored).at(b.looked)
		}
		k.text("|")
	}
}

func (k *keyWriter) orders(o *orders) {
	for _, o := range []*Order{o.hold, o.pause, o.time, o.volume, o.toEmpty, o.stopped, o.noBand} {
		if o != nil {
			k.text(string(o.Code)).at(o.Recorded).at(o.Until).at(o.Time).decimal(o.Amount)
		}
		k.text("|")
	}
}

// history writes what Step asks of finished Tasks.
func (k *keyWriter) history(e *Episode) {
	m := newMachine(e, e.Last)
	m.v = newView(e)
	last, count := m.lastSiteCheck()
	k.at(last).number(int64(min(count, m.v.p.SiteCheckCount))).at(m.lastAfterCheck(time.Time{}))
	for _, code := range []TaskCode{Dressing, Titration, UlnarCompression, PatientTeaching} {
		if t := m.last(code); t != nil {
			k.flag(t.Status.Finished()).flag(t.End.Before(m.v.start))
		}
	}
	k.flag(m.discharged()).at(m.finishedAt(DischargeCheck))
	var arrived time.Time
	asked := map[string]time.Time{}
	for i := range e.Tasks {
		t := &e.Tasks[i]
		if !t.Status.Finished() {
			continue
		}
		if t.Key.Code == ArrivalCheck && (t.Status == TaskCompleted || t.Skipped) {
			arrived = later(arrived, t.End)
		}
		if t.Key.Code == ClinicianReview {
			name := t.Key.Purpose + "/" + string(t.Priority) + "/" + string(t.Status)
			asked[name] = later(asked[name], t.End)
			continue
		}
		for _, c := range t.Called {
			if c.Level == Clinician {
				k.text(string(t.Key.Code)).at(c.At)
			}
		}
		if t.Status == TaskRejected {
			k.text("refused").text(string(t.Key.Code)).at(t.End)
		}
	}
	k.at(arrived)
	for _, name := range sortedKeys(asked) {
		k.text(name).at(asked[name])
	}
}

func sortedKeys(m map[string]time.Time) []string {
	var names []string
	for name := range m {
		names = append(names, name)
	}
	slices.Sort(names)
	return names
}

// openTasks writes the unfinished Tasks, of each code in order of creation.
func (k *keyWriter) openTasks(e *Episode) {
	var open []*Task
	for i := range e.Tasks {
		if !e.Tasks[i].Status.Finished() {
			open = append(open, &e.Tasks[i])
		}
	}
	slices.SortStableFunc(open, func(a, b *Task) int {
		return cmp.Or(cmp.Compare(a.Key.Code, b.Key.Code), cmp.Compare(a.Key.Purpose, b.Key.Purpose))
	})
	for _, t := range open {
		k.text(string(t.Key.Code)).text(t.Key.Purpose).text(string(t.Status)).text(string(t.Priority)).text(string(t.Lateness))
		k.at(t.NotBefore).at(t.Due).at(t.Window).text(t.Owner).decimal(t.Planned).number(int64(len(t.Withheld)))
		k.flag(t.Start.IsZero()).flag(t.Deviation != "").at(t.PlannedDue)
		for _, c := range t.Called {
			k.number(int64(c.Level)).at(c.At).flag(c.Answered.IsZero())
		}
		k.text("|")
		for _, o := range t.Outputs {
			k.text(string(o.Code)).text(string(o.Missing)).at(whenFound(e, o.Finding))
		}
		k.text(";")
	}
}

func whenFound(e *Episode, id string) time.Time {
	for i := range e.Findings {
		if e.Findings[i].ID == id {
			return e.Findings[i].When()
		}
	}
	return time.Time{}
}
