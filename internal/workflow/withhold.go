package workflow

import (
	"fmt"
	"time"
)

// Who may lift a reason.
const (
	byNurse     = "the nurse at the bedside"
	byClinician = "the responsible clinician"
)

// standing gives the reasons why no release is offered whatever the time is.
func (v *view) standing(m *machine) []Withheld {
	var list []Withheld
	add := func(lifter string, again time.Time, format string, args ...any) {
		list = append(list, Withheld{Reason: fmt.Sprintf(format, args...), Lifter: lifter, Again: again})
	}
	if v.start.IsZero() {
		add(byNurse, time.Time{}, "the start of compression is not known")
	}
	switch book := v.ledger.book(); {
	case book.State == BookUnknown && v.orders.toEmpty == nil:
		add(byNurse, time.Time{}, "the volume in the band is not known")
	case book.State == BookUncertain && v.orders.toEmpty == nil:
		add(byNurse, time.Time{}, "the volume in the band is in doubt: %s", book.Why[len(book.Why)-1])
	}
	if drug := v.needsTime(); drug != "" {
		add(byClinician, time.Time{}, "%s: a prescriber gives the time of the first release", drugText(drug))
	}
	if o := v.orders.hold; o != nil {
		add(byClinician, time.Time{}, "held by order: %s", o.Reason)
	}
	if o := v.orders.pause; o != nil && m.at.Before(o.Until) {
		add(byNurse, o.Until, "paused: %s", o.Reason)
	}
	if v.site.bleed != nil {
		add(byNurse, time.Time{}, "the site bleeds: compression comes first")
	}
	if !v.travel.last.IsZero() && !m.arrived() {
		add(byNurse, time.Time{}, "held for transfer: the check on arrival is not done")
	}
	return append(list, v.unanswered(m)...)
}

// unanswered gives the findings that stop releases until a person has decided.
func (v *view) unanswered(m *machine) []Withheld {
	var list []Withheld
	for _, c := range v.concerns {
		if c.withholds && !c.cleared && !m.answered(c) {
			list = append(list, Withheld{Reason: "waits for a clinician's review: " + c.text, Lifter: byClinician})
		}
	}
	return list
}

// answered reports whether a review of the concern was completed after it arose: one that
// was refused or set aside is no decision.
func (m *machine) answered(c concern) bool {
	if c.byOrder {
		return false // the cause goes with the order
	}
	for i := range m.e.Tasks {
		t := &m.e.Tasks[i]
		if t.Key.Code == ClinicianReview && t.Key.Purpose == c.cause && t.Status == TaskCompleted &&
			!t.End.Before(later(c.at, c.told)) && t.Priority.rank() >= c.priority.rank() {
			return true
		}
	}
	return false
}

// evidence gives what is missing before air may be let out: a real look that found the
// site dry, not older than the last change of air, nor than one interval and its grace.
func (v *view) evidence(at time.Time) []Withheld {
	look := func(reason string) []Withheld {
		return []Withheld{{Reason: reason, Lifter: byNurse + ", by a look at the site", Evidence: true}}
	}
	s := v.site
	switch {
	case s.last == nil:
		return look("nobody has looked at the site yet")
	case s.latest != s.last:
		return look("the site could not be looked at last time")
	case s.last.Answer != Haemostasis:
		return look("the last look found the site not dry")
	case !s.fresh || s.last.When().Before(v.ledger.changed):
		return look("nobody has looked at the site since the air was changed")
	case !at.Before(v.lookExpires()):
		return look("the last look at the site is too old")
	}
	return nil
}

// lookExpires is when the last look at the site stops being evidence, zero if there was
// none.
func (v *view) lookExpires() time.Time {
	if v.site.last == nil {
		return time.Time{}
	}
	return v.site.last.When().Add(v.p.SiteCheckFirst + v.p.Grace[SiteCheck].Overdue)
}
