package workflow

import (
	"cmp"
	"slices"
	"time"
)

// fact is one thing that happened at the bedside, in the common order of all facts.
type fact struct {
	when     time.Time
	recorded time.Time
	entry    int
	id       string
	finding  *Finding
	order    *Order
	move     *Relocated
}

// facts gives all facts that stand, in order of when they happened, then of when they
// were recorded, then of their place in what was entered, then of their id.
func (e *Episode) facts() []fact {
	withdrawn := map[string]bool{}
	for _, w := range e.Withdrawn {
		withdrawn[w.Finding] = true
	}
	list := make([]fact, 0, len(e.Findings)+len(e.Orders)+len(e.Moves))
	for i := range e.Findings {
		f := &e.Findings[i]
		if withdrawn[f.ID] || !e.ofWrist(f.Side) {
			continue
		}
		list = append(list, fact{when: f.When(), recorded: f.Recorded, entry: f.Entry, id: f.ID, finding: f})
	}
	for i := range e.Orders {
		o := &e.Orders[i]
		list = append(list, fact{when: earlier(o.Given, o.Recorded), recorded: o.Recorded, entry: o.Entry, id: o.ID, order: o})
	}
	for i := range e.Moves {
		r := &e.Moves[i]
		list = append(list, fact{when: earlier(r.Found, r.At), recorded: r.At, id: r.ID, move: r})
	}
	slices.SortStableFunc(list, compareFacts)
	return list
}

func compareFacts(a, b fact) int {
	return cmp.Or(a.when.Compare(b.when), a.recorded.Compare(b.recorded), cmp.Compare(a.entry, b.entry), cmp.Compare(a.id, b.id))
}

// event gives the event that counts: the last in order among the repeats; of equals
// the one received first. It is nil before the first.
func (e *Episode) event() *Event {
	var last *Event
	for i := range e.Events {
		if last == nil || e.Events[i].Order.After(last.Order) {
			last = &e.Events[i]
		}
	}
	return last
}

// revocation gives the revocation that counts, nil if a later event took it back.
func (e *Episode) revocation() *Revoked {
	var last *Revoked
	for i := range e.Revoked {
		if last == nil || e.Revoked[i].Order.After(last.Order) {
			last = &e.Revoked[i]
		}
	}
	if ev := e.event(); last != nil && ev != nil && ev.Order.After(last.Order) {
		return nil
	}
	return last
}

// side is the wrist of the event that counts.
func (e *Episode) side() Side {
	if ev := e.event(); ev != nil {
		return ev.Side
	}
	return ""
}

// ofWrist reports whether what was found on a side is about this wrist; while the event
// has not told which wrist it is, anything may be.
func (e *Episode) ofWrist(side Side) bool { return side == "" || e.side() == "" || side == e.side() }

// completed reports whether a Task of the code was completed.
func (e *Episode) completed(code TaskCode) bool {
	return slices.ContainsFunc(e.Tasks, func(t Task) bool { return t.Key.Code == code && t.Status == TaskCompleted })
}

// actOf gives the Task that a finding was counted for as an act, "" if none.
func (e *Episode) actOf(finding string) TaskCode {
	for i := range e.Tasks {
		for _, o := range e.Tasks[i].Outputs {
			if o.Finding == finding {
				return e.Tasks[i].Key.Code
			}
		}
	}
	return ""
}

func earlier(a, b time.Time) time.Time {
	if a.IsZero() || b.Before(a) {
		return b
	}
	return a
}

func later(a, b time.Time) time.Time {
	if b.After(a) {
		return b
	}
	return a
}
