package workflow

import (
	"slices"
	"time"
)

// LateCharting is how long after it was found a finding may be entered and not count as
// charted late (judgement, to be confirmed by the site).
const LateCharting = 15 * time.Minute

// Figures are what a unit wants to know of an episode afterwards. Late care and late
// charting are two figures: an hour done in time and entered at its end is the second.
type Figures struct {
	Care         Delays        `json:",omitzero"` // Tasks: done against due
	Charting     Delays        `json:",omitzero"` // findings: entered against found
	NotDone      int           `json:",omitzero"` // checks that were charted as not done, refused or skipped
	Bleeds       int           `json:",omitzero"`
	FirstRelease time.Duration `json:",omitzero"` // from the start of compression; zero while there was none
	BandTime     time.Duration `json:",omitzero"` // of all bands; zero while one is on
}

// Delays are how late things were. Late counts those over the allowed time; the median
// and the worst are of all, in time ones as zero.
type Delays struct {
	Of     int           `json:",omitzero"`
	Late   int           `json:",omitzero"`
	Median time.Duration `json:",omitzero"`
	Worst  time.Duration `json:",omitzero"`
}

// Figures gives the figures as the facts stand.
func (e *Episode) Figures() Figures {
	m := newMachine(e, e.Last)
	m.v = newView(e)
	return m.figures()
}

func (m *machine) figures() Figures {
	v := m.v
	f := Figures{Bleeds: v.site.bleeds, NotDone: m.notDone()}
	f.Care = m.careDelays()
	f.Charting = v.charting.sum()
	if len(v.releases) > 0 && !v.start.IsZero() {
		f.FirstRelease = v.releases[0].at.Sub(v.start)
	}
	if v.ev != nil && !v.bandOn() {
		f.BandTime = v.band.off.Sub(v.worn())
	}
	return f
}

func (m *machine) careDelays() Delays {
	var d delays
	for i := range m.e.Tasks {
		t := &m.e.Tasks[i]
		if t.Status == TaskCompleted && !t.Due.IsZero() && t.Key.Code != ClinicianReview {
			d.add(m.doneAt(t).Sub(t.Due), m.v.p.Grace[t.Key.Code].Overdue)
		}
	}
	return d.sum()
}

// doneAt is when the act of a Task was done, or its last finding made.
func (m *machine) doneAt(t *Task) time.Time {
	for _, o := range t.Outputs {
		if o.Code == t.act() {
			return m.foundAt(o.Finding)
		}
	}
	return t.End
}

// notDone counts what was asked for and documented as not done.
func (m *machine) notDone() int {
	n := 0
	for i := range m.e.Tasks {
		if m.e.Tasks[i].missed() {
			n++
		}
	}
	return n
}

// missed reports whether the Task ended without what it asked for.
func (t *Task) missed() bool {
	missing := slices.ContainsFunc(t.Outputs, func(o Output) bool { return o.Missing != "" })
	return t.Skipped || t.Status == TaskCompleted && missing
}

type delays struct {
	list []time.Duration
	late int
}

func (d *delays) add(by, allowed time.Duration) {
	if by > allowed {
		d.late++
	}
	d.list = append(d.list, max(by, 0))
}

func (d *delays) sum() Delays {
	if len(d.list) == 0 {
		return Delays{}
	}
	slices.Sort(d.list)
	return Delays{Of: len(d.list), Late: d.late, Median: d.list[len(d.list)/2], Worst: d.list[len(d.list)-1]}
}
