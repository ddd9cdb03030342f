package workflow

import (
	"cmp"
	"slices"
	"time"
)

// Step takes one input into the episode and gives the new state and what is to be done
// about it. It is pure: the same state and input give the same answer. The error is a
// *Refusal, and then the state is the old one and there are no effects.
func Step(e Episode, in Input) (Episode, []Effect, error) {
	before := e
	e = e.clone()
	now := later(in.stamp().At, e.Last)
	e.Last = now
	m := newMachine(&e, now)
	if err := m.admit(in); err != nil {
		return before, nil, err
	}
	m.plan(now)
	m.finish()
	return e, m.effects(&before), nil
}

// machine is one step under way.
type machine struct {
	e        *Episode
	v        *view
	at       time.Time // the instant planned for: now, or that of a finding in a batch
	now      time.Time // the instant of the input
	wanted   map[TaskKey]bool
	wakes    []time.Time
	explicit map[string]TaskKey // findings that a client said belong to a Task
	existing int                // Tasks there were before the step
}

func newMachine(e *Episode, now time.Time) *machine {
	return &machine{e: e, at: now, now: now, explicit: map[string]TaskKey{}, existing: len(e.Tasks)}
}

// admit adds the input's facts to the episode.
func (m *machine) admit(in Input) error {
	switch in := in.(type) {
	case Started:
		m.e.Events = append(m.e.Events, in.Event)
	case Revoked:
		m.e.Revoked = append(m.e.Revoked, in)
	case Charted:
		if r := m.chart(in); r != nil {
			return r
		}
	case Relocated:
		m.e.Moves = append(m.e.Moves, in)
	case Elapsed:
	}
	return nil
}

// clone copies what a step may change.
func (e Episode) clone() Episode {
	e.Events = slices.Clone(e.Events)
	e.Revoked = slices.Clone(e.Revoked)
	e.Findings = slices.Clone(e.Findings)
	e.Withdrawn = slices.Clone(e.Withdrawn)
	e.Orders = slices.Clone(e.Orders)
	e.Moves = slices.Clone(e.Moves)
	e.Skips = slices.Clone(e.Skips)
	e.Flags = slices.Clone(e.Flags)
	e.Issues = slices.Clone(e.Issues)
	e.Tasks = slices.Clone(e.Tasks)
	for i := range e.Tasks {
		t := &e.Tasks[i]
		t.Outputs = slices.Clone(t.Outputs)
		t.Called = slices.Clone(t.Called)
		t.Notes = slices.Clone(t.Notes)
	}
	return e
}

// effects compares the episode with the one before and orders what has changed.
func (m *machine) effects(before *Episode) []Effect {
	var effects []Effect
	for _, t := range m.e.Tasks {
		if old := before.Task(t.Key); old == nil || !old.same(t) {
			effects = append(effects, PutTask{t})
			effects = append(effects, t.notices(old)...)
		}
	}
	for i, is := range m.e.Issues {
		if i >= len(before.Issues) || !before.Issues[i].same(is) {
			effects = append(effects, PutIssue{is})
		}
	}
	for i, f := range m.e.Flags {
		if i >= len(before.Flags) || before.Flags[i] != f {
			effects = append(effects, PutFlag{f})
		}
	}
	if !before.Plan.same(m.e.Plan) {
		effects = append(effects, PutPlan{m.e.Plan})
	}
	ended := m.e.Plan.Status.Ended() || before.Plan.Status.Ended()
	if ended && (len(effects) > 0 || m.e.told() != before.told()) {
		effects = append(effects, PutTimeline{m.e.Timeline()})
	}
	return append(effects, WakeAt{m.wake()})
}

// told is how many facts there are. They are added and never taken away: a repeat adds none.
func (e *Episode) told() int {
	return len(e.Events) + len(e.Revoked) + len(e.Findings) + len(e.Withdrawn) + len(e.Orders) + len(e.Moves) + len(e.Skips)
}

func (is Issue) same(x Issue) bool {
	return is.Text == x.Text && is.How == x.How && is.Settled.Equal(x.Settled) && slices.Equal(is.Findings, x.Findings)
}

// same reports whether the Tasks say the same, whenever they were last changed.
func (t Task) same(u Task) bool {
	return t.Status == u.Status && t.StatusReason == u.StatusReason && t.Lateness == u.Lateness &&
		t.Priority == u.Priority && t.Description == u.Description &&
		t.NotBefore.Equal(u.NotBefore) && t.Due.Equal(u.Due) &&
		slices.Equal(t.Required, u.Required) && slices.Equal(t.Outputs, u.Outputs) &&
		samePointer(t.Planned, u.Planned) && sameBook(t.Book, u.Book) &&
		slices.Equal(t.Withheld, u.Withheld) && slices.Equal(t.Called, u.Called) &&
		t.Owner == u.Owner && t.Start.Equal(u.Start) && t.End.Equal(u.End) && slices.Equal(t.Notes, u.Notes)
}

func samePointer(a, b *Decimal) bool {
	if a == nil || b == nil {
		return a == b
	}
	return a.String() == b.String()
}

func sameBook(a, b *Book) bool {
	if a == nil || b == nil {
		return a == b
	}
	return a.State == b.State && a.Volume.String() == b.Volume.String() && slices.Equal(a.Why, b.Why) &&
		a.Confirmed.Equal(b.Confirmed) && a.By == b.By
}

// same reports whether the plans say the same.
func (p Plan) same(q Plan) bool {
	return p.Status == q.Status && p.StatusReason == q.StatusReason && slices.Equal(p.Tasks, q.Tasks) &&
		p.Start.Equal(q.Start) && p.Off.Equal(q.Off) && p.End.Equal(q.End) && p.Summary.same(q.Summary)
}

func (s Summary) same(t Summary) bool {
	next := s.Next == nil && t.Next == nil || s.Next != nil && t.Next != nil && *s.Next == *t.Next
	return next && s.Kind == t.Kind && s.Side == t.Side && s.Distal == t.Distal &&
		sameBook(&s.Book, &t.Book) && s.BandOn == t.BandOn && s.Bleeds == t.Bleeds && s.LastBleed.Equal(t.LastBleed) &&
		s.LastLook.Equal(t.LastLook) && s.LastAnswer == t.LastAnswer &&
		s.LastPatency == t.LastPatency && s.PatencyAt.Equal(t.PatencyAt) &&
		s.NextAt.Equal(t.NextAt) && s.OffIfBleed.Equal(t.OffIfBleed) && s.Figures == t.Figures &&
		slices.Equal(s.BleedingRisk, t.BleedingRisk) && slices.Equal(s.OcclusionRisk, t.OcclusionRisk) && slices.Equal(s.Withheld, t.Withheld)
}

// wakeAt asks for an Elapsed at t if it is still to come.
func (m *machine) wakeAt(t time.Time) {
	if t.After(m.now) {
		m.wakes = append(m.wakes, t)
	}
}

func (m *machine) wake() time.Time {
	if len(m.wakes) == 0 {
		return time.Time{}
	}
	return slices.MinFunc(m.wakes, func(a, b time.Time) int { return cmp.Compare(a.UnixNano(), b.UnixNano()) })
}
