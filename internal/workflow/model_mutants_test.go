package workflow_test

// mutant is one guard taken out of the core: in the file the text is replaced. The text
// stands there once; TestMutantsApply holds that.
type mutant struct {
	rule  int // design rule that the guard serves
	guard string
	file  string
	text  string
	with  string
}

func mutants() []mutant {
	var list []mutant
	for _, part := range [][]mutant{bookMutants(), removalMutants(), releaseMutants(), turnMutants(), patencyMutants(), recordMutants(), callMutants()} {
		list = append(list, part...)
	}
	return list
}

func bookMutants() []mutant {
	return []mutant{
		{1, "a count settles only what arose before it", "ledger.go", "if f.When().Before(d.at) || d.entry && !f.Recorded.After(d.raised) {", "if d.entry && false {"},
		{1, "a start above the maximum is in doubt", "ledger.go", "if l.max.Less(volume) {", "if false {"},
		{1, "a book below nothing is in doubt", "ledger.go", "if l.known && l.volume.Sign() < 0 {", "if false {"},
		{1, "a book above the maximum is in doubt", "ledger.go", "if l.known && l.max.Less(l.volume) {", "if false {"},
		{1, "the same step out twice is asked about", "ledger.go", "if twin {\n\t\tl.twice(l.lastOut", "if false {\n\t\tl.twice(l.lastOut"},
		{1, "the same step in twice is asked about", "ledger.go", "if twin {\n\t\tl.twice(l.lastIn", "if false {\n\t\tl.twice(l.lastIn"},
		{1, "a count at odds with the book is asked about", "ledger.go", "case l.volume.Cmp(volume) == 0:", "case true:"},
		{1, "no road while the volume is in doubt", "road.go", "|| v.ledger.book().State != BookKnown {", "{"},
		{1, "air goes back only up to the maximum", "restoring.go", "amount = Least(amount, v.ledger.max.Sub(v.ledger.volume))", "amount = Least(amount, v.ledger.max)"},
		{1, "no easing while the volume is in doubt", "easing.go", "if v.ledger.book().State != BookKnown {", "if false {"},
		{1, "a step takes no more than is left", "road.go", "size = Least(size, left)", "size = Least(size, v.ledger.max)"},
	}
}

func removalMutants() []mutant {
	return []mutant{
		{2, "removal needs a dry look after the watch", "removal.go", "|| look.When().Before(watched)", ""},
		{2, "removal needs a test or its absence charted", "removal.go", "if !v.testedSince(empty) {", "if false {"},
		{2, "no removal while the site bleeds", "removal.go", "if v.site.bleed != nil {", "if false {"},
		{2, "no removal while the volume is in doubt", "removal.go", "if v.ledger.book().State != BookKnown {", "if false {"},
		{3, "nothing is offered before its time", "road.go", "case m.at.Before(at):", "case false:"},
	}
}

func releaseMutants() []mutant {
	return []mutant{
		{3, "no release before anybody has looked", "withhold.go", "case s.last == nil:", "case s.last == nil && false:"},
		{3, "a look that could not be made is no evidence", "withhold.go", "case s.latest != s.last:", "case false:"},
		{3, "a look that was not dry is no evidence", "withhold.go", "case s.last.Answer != Haemostasis:", "case false:"},
		{3, "a look before the last change of air is no evidence", "withhold.go", "case !s.fresh || s.last.When().Before(v.ledger.changed):", "case false:"},
		{3, "an old look is no evidence", "withhold.go", "case !at.Before(v.lookExpires()):", "case false:"},
		{3, "no release under a hold", "withhold.go", "if o := v.orders.hold; o != nil {", "if o := v.orders.hold; false {"},
		{3, "no release during a pause", "withhold.go", "o != nil && m.at.Before(o.Until) {", "o != nil && false {"},
		{3, "no release while the site bleeds", "withhold.go", "if v.site.bleed != nil {", "if false {"},
		{3, "no release between departure and arrival", "withhold.go", "if !v.travel.last.IsZero() && !m.arrived() {", "if false {"},
		{3, "no release while a finding waits for an answer", "withhold.go", "return append(list, v.unanswered(m)...)", "return list"},
		{3, "the interval after a step", "road.go", "next = later(next, last.Add(v.p.Interval))", "next = later(next, last)"},
		{3, "the interval after a step that was skipped", "road.go", "next = later(next, v.skipped.Add(v.p.Interval))", "next = later(next, v.skipped)"},
		{3, "the hold after a bleed", "road.go", "return later(next, v.site.hold)", "return next"},
		{3, "the longer time to the first release with a high INR", "road.go", "if v.ev.INR != nil && v.p.HighINR.Less(*v.ev.INR) {", "if false {"},
		{3, "what withholds a release withholds no easing", "easing.go", " && len(m.v.standing(m)) == 0", ""},
		{3, "an anticoagulant given on the way withholds", "drugs.go", "v.withhold(string(Anticoagulant)", "v.concern(string(Anticoagulant)"},
		{3, "a drug of the procedure that is charted later asks too", "drugs.go", "v.body.with = append(v.body.with, f)", ""},
		{3, "the same after air was let out", "drugs.go", "if f.Recorded.After(v.releases[0].at) {", "if false {"},
		{3, "air put back that nothing explains is held", "site.go", "s.puzzle, s.hold = f.When(), later(s.hold, f.When().Add(v.p.HoldAfterOoze))", "s.puzzle = f.When()"},
		{3, "a step in the hold is none of the dry ones", "view.go", "told: f.When().Before(v.site.hold)", "told: false"},
		{3, "a skipped step counts under the band that is on again", "band.go", "if v.skipped.Before(f.When()) {", "if true {"},
		{3, "a drug without a time of its own asks a prescriber", "drugs.go", "if slices.Contains(given, d) {", "if false && slices.Contains(given, d) {"},
		{3, "an uncomfortable hand gets less pressure", "easing.go", "if f := v.body.hand; f != nil && ", "if f := v.body.hand; false && "},
		{3, "pressure is taken down in the first minutes alone", "titration.go", "if !m.at.Before(over) {", "if false {"},
		{13, "a hand in danger is told at once", "worry.go", "if !f.endangered() {\n\t\tv.passed", "if true {\n\t\tv.passed"},
		{13, "a hand that is no better is told", "worry.go", "if !m.at.Before(at) {", "if false {"},
		{13, "a grade of haematoma is as urgent as it is", "worry.go", "[]Priority{Routine, Routine, Urgent, Stat, Stat, Stat}[f.Grade]", "Routine"},
		{4, "a review that was set aside is no answer", "withhold.go", "t.Status == TaskCompleted &&", "t.Status.Finished() &&"},
		{4, "a band that no plan takes off is asked about again", "plan.go", "case v.ended() && v.bandOn():\n", "case false:\n"},
		{4, "looks go on after a stopped plan's band", "checks.go", "if v.ended() && v.watchedOff(from, last) {", "if v.ended() {"},
		{4, "a look counts from the finding of the site", "checks.go", "last = later(last, m.lookedAt(t))\n\t}\n\treturn last, count", "last = later(last, t.End)\n\t}\n\treturn last, count"},
		{3, "an unwell patient withholds until answered", "worry.go", "v.withhold(string(Condition), Stat, f.When(), fmt", "v.concern(string(Condition), Stat, f.When(), fmt"},
	}
}

func turnMutants() []mutant {
	return []mutant{
		{4, "a look charted as not done does not restart the ladder", "checks.go", "t.Status != TaskCompleted || !m.real(t) {", "t.Status != TaskCompleted {"},
		{4, "looks go on after removal", "checks.go", "if v.bandOn() || m.discharged() {", "if true {"},
		{4, "looks go on under a plan that was stopped", "plan.go", "m.planSafety()\n\tif", "if !m.v.ended() {\n\t\tm.planSafety()\n\t}\n\tif"},
		{4, "bleeding under the band is somebody's turn", "restoring.go", "if b == nil || m.watching(RestoreCompression) {", "if true {"},
		{4, "air put back that nothing explains is looked at", "checks.go", "if !v.site.puzzle.IsZero() {", "if false {"},
		{4, "a bleed that was handled before it was charted asks for a look", "restoring.go", "if b.looked.Before(b.restored) {", "if false {"},
		{4, "a dressing covers no band-off that was taken back", "removal.go", "&& !v.bandOn() && !t.End.Before", "&& !t.End.Before"},
		{4, "what was not taught when the patient left is asked for no more", "beside.go", "|| m.gone() ", ""},
		{4, "who hands a Task back keeps it no longer", "update.go", "if u.Owner == nil {", "if false {"},
		{4, "bleeding after removal is somebody's turn", "restoring.go", "b := m.v.site.afterOff\n\tif b == nil {", "b := m.v.site.afterOff\n\tif true {"},
		{4, "it wakes when a Task becomes overdue", "lateness.go", "m.wakeAt(overdue)", ""},
		{4, "it wakes when a step may be taken", "road.go", "m.wakeAt(at)\n}", "}"},
		{4, "late Tasks are called up the line", "lateness.go", "m.call(t, NurseInCharge, grace.Nurse)", ""},
		{4, "late care that nobody does is a clinician's", "lateness.go", "m.call(t, Clinician, grace.Clinician)", ""},
		{4, "a Task that waits for a look is late all the same", "lateness.go", "!t.Status.Turn() && !heldForEvidence(t)", "!t.Status.Turn()"},
		{4, "an arrival is checked after each move", "plan.go", "&& !t.End.Before(m.v.travel.last)", ""},
		{11, "a stopped plan offers nothing", "plan.go", "m.planSafety()\n\tif m.v.ended() {", "m.planSafety()\n\tif false {"},
		{11, "a stopped plan asks what is on the wrist", "plan.go", "case v.orders.stopped != nil:\n\t\treturn v.orders.stopped.Recorded", "case v.orders.stopped != nil:\n\t\treturn time.Time{}"},
		{11, "a revoked plan asks what is on the wrist", "plan.go", "case v.revoked != nil:\n\t\treturn v.revoked.At, \"", "case v.revoked != nil:\n\t\treturn time.Time{}, \""},
		{11, "a corrected wrist is confirmed at the bedside", "plan.go", "case v.corrected() && ", "case false && "},
		{11, "a corrected wrist waits for an answer", "judge.go", "if v.ev.Side != first.Side {", "if false {"},
		{11, "a corrected patient waits for an answer", "judge.go", "if v.ev.Refs.Subject != first.Refs.Subject {\n", "if false {\n"},
		{11, "a second procedure is asked about", "judge.go", "if v.ev.OtherPlan != \"\" {", "if false {"},
		{11, "a later event takes a revocation back, an older one does not", "fact.go", "ev.Order.After(last.Order) {\n\t\treturn nil", "true {\n\t\treturn nil"},
	}
}

func patencyMutants() []mutant {
	return []mutant{
		{5, "only a method that can show patency counts", "flow.go", "if f.Real() && !f.Method.ShowsPatency() {", "if false {"},
		{5, "only a method that can show patency completes a check", "attach.go", "case f.Code == Patency && !f.Method.ShowsPatency():", "case false:"},
		{4, "a haematoma is looked at again sooner", "checks.go", "sooner(v.body.swelling, v.p.SiteCheckFirst)", ""},
		{4, "a hand that suffers is looked at again sooner", "checks.go", "sooner(v.body.hand, v.p.EaseRetest)", ""},
		{5, "a closed artery is tested again when easing is over", "checks.go", "case v.notPatent() && v.easingOver():", "case false:"},
		{5, "air added makes an earlier test stale", "view.go", "v.flow.stale = v.flow.last != nil", ""},
		{5, "after a change of air the look counts from the change", "attach.go", "return t.Has(act)", "return true"},
	}
}

func recordMutants() []mutant {
	return []mutant{
		{6, "a finished Task takes no other end", "update.go", "if t.Status.Finished() {\n\t\treturn finishedUpdate(t, u)\n\t}", ""},
		{6, "one open Task of a kind", "reconcile.go", "if t := m.open(code, purpose); t != nil {", "if t := m.open(code, purpose); t != nil && m.now != m.at {"},
		{6, "a correction takes the place of what it corrects", "chart.go", "if m.e.Findings[i].ID == f.ID {", "if false {"},
		{6, "an older event does not count over a newer", "fact.go", "if last == nil || e.Events[i].Order.After(last.Order) {", "if true {"},
		{7, "a step copies what it changes", "step.go", "e.Findings = slices.Clone(e.Findings)", ""},
		{9, "planned stands beside actual", "attach.go", "t.NotBefore, t.Due = t.PlannedStart, t.PlannedDue", ""},
		{10, "a negative amount is refused", "chart.go", "if f.Amount.Sign() < 0 {", "if false {"},
		{10, "more than twice the maximum is refused", "chart.go", "isAir(f.Code) && limit.Less(*f.Amount) {", "isAir(f.Code) && limit.Less(*f.Amount) && false {"},
		{10, "no more than that is refused", "chart.go", "limit := m.deviceMaximum().Twice();", "limit := m.deviceMaximum();"},
		{10, "the future is refused", "chart.go", "if f.Found.After(m.now.Add(ClockDifference)) {", "if false {"},
		{10, "an act against the plan says so", "attach.go", "t.Deviation = fmt.Sprintf(\"done %s early\"", "_ = fmt.Sprintf(\"done %s early\""},
	}
}

func callMutants() []mutant {
	return []mutant{
		{12, "steps keep their interval", "road.go", "t = t.Add(v.p.Interval)", "t = t.Add(v.p.Interval / 2)"},
		{12, "a step is no larger than approved", "road.go", "return v.p.StepFrom(v.ledger.start)\n}", "return v.p.Step.Twice()\n}"},
		{13, "one cause, one review", "reconcile.go", "if t := m.open(code, purpose); t != nil {", "if t := m.open(code, purpose); t != nil && code != ClinicianReview {"},
		{13, "each level is called once", "lateness.go", "return c.Level >= level })", "return c.Level > level })"},
		{13, "nobody is called before the time", "lateness.go", "if m.now.Before(at) {", "if false {"},
		{13, "an unanswered review is called again", "review.go", "if !m.now.Before(again) {", "if false {"},
		{13, "a review stays open when its cause has passed", "review.go", "m.wanted[t.Key] = true\n\t\t\tm.remind(t)", "m.remind(t)"},
		{13, "what gets worse is asked more urgently", "concern.go", "old.priority.rank() >= c.priority.rank()", "true"},
	}
}
