package workflow_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/cockroachdb/datadriven"
	"github.com/stretchr/testify/require"

	"fhirsvc/api"
	"fhirsvc/internal/fhir"
	"fhirsvc/internal/workflow"
)

// TestScenarios plays the bedside stories of testdata/scenario. Each file is one story
// on one invented day, under the shipped starter protocols; the output is golden
// (`make scenario` rewrites it: read the difference before you commit it).
func TestScenarios(t *testing.T) {
	datadriven.Walk(t, "testdata/scenario", func(t *testing.T, path string) {
		s := &story{t: t}
		datadriven.RunTest(t, path, func(t *testing.T, d *datadriven.TestData) string {
			s.t, s.d = t, d
			return s.run()
		})
		s.checkReplay(t)
	})
}

// starters reads the shipped protocols.
func starters(t testing.TB) []*workflow.Protocol {
	t.Helper()
	var list []*workflow.Protocol
	for name, body := range api.Protocols() {
		p, issues := fhir.ParseProtocol(body)
		require.NotNil(t, p, "%s: %v", name, issues)
		list = append(list, p)
	}
	return list
}

// story is the state of one scenario file.
type story struct {
	t      *testing.T
	d      *datadriven.TestData
	e      workflow.Episode
	inputs []workflow.Input
	now    time.Time
	wake   time.Time
	n      int // findings, orders and events so far
	plan   string
	// watch sees each step, where a test wants more of the story than its output.
	watch func(before, after *workflow.Episode)
	// effects sees what each step orders.
	effects func(before, after *workflow.Episode, effects []workflow.Effect)
}

// day is the invented day on which all stories happen.
var day = time.Date(2026, 3, 2, 0, 0, 0, 0, time.UTC)

func (s *story) run() string {
	switch s.d.Cmd {
	// start at=10:05 kind=diagnostic side=right compression=10:00 volume=15 [maximum=18 inr=2.4 order=10:05 other=x]
	case "start":
		return s.start()
	// revoke at=11:00 reason=entered-in-error
	case "revoke":
		return s.step(workflow.Revoked{Stamp: s.stamp(), Order: s.now, Reason: s.arg("reason")})
	// observe at=10:15 [recorded=11:00 by=n1 side=left id=f3] bleeding=haemostasis hand=normal
	case "observe":
		return s.observe()
	// batch recorded=11:00, then lines: 10:15 bleeding=haemostasis hand=normal
	case "batch":
		return s.batch()
	// clock to=12:00: lets time pass, waking the episode whenever it asked to be woken
	case "clock":
		return s.clock(s.when("to"))
	// task at=10:20 key=dressing/1 status=completed [owner=n1 reason=... end=10:18]
	case "task":
		return s.task()
	// order at=11:00 code=hold reason=... [until=11:30 time=12:00 amount=2]
	case "order":
		return s.order()
	// withdraw at=11:00 finding=f3
	case "withdraw":
		w := workflow.Withdrawal{Finding: s.arg("finding"), By: s.by()}
		return s.step(workflow.Charted{Stamp: s.stamp(), Withdrawn: []workflow.Withdrawal{w}})
	// move at=11:00 / leave at=11:00
	case "move", "leave":
		st := s.stamp()
		return s.step(workflow.Relocated{Stamp: st, Found: st.At, Ended: s.d.Cmd == "leave"})
	// show: the plan, the book and every open Task
	case "show":
		return s.show()
	}
	s.d.Fatalf(s.t, "unknown command %s", s.d.Cmd)
	return ""
}

func (s *story) arg(name string) string {
	var v string
	s.d.MaybeScanArgs(s.t, name, &v)
	return v
}

// when reads a time of the day, such as 10:15 or 24:30; zero if it is not given.
func (s *story) when(name string) time.Time {
	text := s.arg(name)
	if text == "" {
		return time.Time{}
	}
	return s.clockTime(text)
}

func (s *story) clockTime(text string) time.Time {
	var h, m int
	_, err := fmt.Sscanf(text, "%d:%d", &h, &m)
	require.NoError(s.t, err, s.d.Pos)
	return day.Add(time.Duration(h)*time.Hour + time.Duration(m)*time.Minute)
}

func (s *story) by() string {
	if by := s.arg("by"); by != "" {
		return by
	}
	return "nurse"
}

func (s *story) decimal(name string) *workflow.Decimal {
	text := s.arg(name)
	if text == "" {
		return nil
	}
	d := workflow.MustDecimal(text)
	return &d
}

// stamp moves the clock to at= (or recorded=) and gives the next input's stamp.
func (s *story) stamp() workflow.Stamp {
	at := s.when("recorded")
	if at.IsZero() {
		at = s.when("at")
	}
	require.False(s.t, at.Before(s.now), "%s: the clock does not run backwards", s.d.Pos)
	s.now = at
	s.n++
	return workflow.Stamp{At: at, ID: fmt.Sprintf("i%d", s.n)}
}

func (s *story) start() string {
	st := s.stamp()
	order := s.when("order")
	if order.IsZero() {
		order = st.At
	}
	ev := workflow.Event{
		Order: order, Recorded: st.At, Kind: workflow.ProcedureKind(s.arg("kind")), Side: workflow.Side(s.arg("side")),
		PerformedEnd: s.when("end"), CompressionStart: s.when("compression"), Volume: s.decimal("volume"),
		VolumeBy: "operator", BandMaximum: s.decimal("maximum"), INR: s.decimal("inr"), OtherPlan: s.arg("other"),
		Refs: workflow.Refs{Subject: "Patient/" + orElse(s.arg("patient"), "p1")},
	}
	if told := s.arg("titrated"); told != "" {
		yes := told == "yes"
		ev.Titrated = &yes
	}
	if drug := s.arg("drug"); drug != "" {
		ev.Drugs = []workflow.Drug{workflow.Drug(drug)}
	}
	if s.e.ID == "" {
		p, why := workflow.Select(starters(s.t), ev)
		s.e = workflow.New("e1", s.changed(p), why)
	}
	return s.step(workflow.Started{Stamp: st, Event: ev})
}

// changed is the protocol with what set= says: parameter:value.
func (s *story) changed(p *workflow.Protocol) *workflow.Protocol {
	name, value, found := strings.Cut(s.arg("set"), ":")
	if !found {
		return p
	}
	own := *p
	for _, a := range workflow.Parameters() {
		if a.Name == name {
			require.NoError(s.t, a.Set(&own, value))
		}
	}
	require.Empty(s.t, own.Check())
	return &own
}

func orElse(text, other string) string {
	if text == "" {
		return other
	}
	return text
}

// step feeds one input and prints what changed.
func (s *story) step(in workflow.Input) string {
	next, effects, err := workflow.Step(s.e, in)
	if err != nil {
		return "refused: " + err.Error() + "\n"
	}
	s.inputs = append(s.inputs, in)
	if s.watch != nil {
		s.watch(&s.e, &next)
	}
	if s.effects != nil {
		s.effects(&s.e, &next, effects)
	}
	s.e = next
	checkAlways(s.t, &s.e)
	s.checkRendered(effects)
	var b strings.Builder
	for _, eff := range effects {
		switch eff := eff.(type) {
		case workflow.PutTask:
			b.WriteString(taskLine(eff.Task))
		case workflow.PutFlag:
			fmt.Fprintf(&b, "flag %s active=%t\n", eff.Flag.Code, eff.Flag.Active)
		case workflow.PutIssue:
			b.WriteString(issueLine(eff.Issue))
		case workflow.PutNotice:
			b.WriteString(noticeLine(eff.Notice))
		case workflow.PutPlan:
			if line := fmt.Sprintf("plan %s off=%s end=%s\n", eff.Plan.Status, hhmm(eff.Plan.Off), hhmm(eff.Plan.End)); line != s.plan {
				b.WriteString(line)
				s.plan = line
			}
		case workflow.PutTimeline:
		case workflow.WakeAt:
			s.wake = eff.At
		}
	}
	return b.String()
}

func issueLine(is workflow.Issue) string {
	if !is.Settled.IsZero() {
		return fmt.Sprintf("issue %s/%d settled: %s\n", is.Code, is.Ordinal, is.How)
	}
	return fmt.Sprintf("issue %s/%d open: %s\n", is.Code, is.Ordinal, is.Text)
}

func noticeLine(n workflow.Notice) string {
	who := map[workflow.Level]string{workflow.NurseInCharge: "the nurse in charge", workflow.Clinician: "a clinician"}[n.Level]
	if !n.Answered.IsZero() {
		return fmt.Sprintf("call %d about %s to %s answered at=%s by=%s\n", n.Ordinal, n.Task, who, hhmm(n.Answered), n.By)
	}
	return fmt.Sprintf("call %d about %s to %s\n", n.Ordinal, n.Task, who)
}

// clock lets time pass.
func (s *story) clock(to time.Time) string {
	var b strings.Builder
	for !s.wake.IsZero() && !s.wake.After(to) {
		s.now = s.wake
		s.n++
		if out := s.step(workflow.Elapsed{Stamp: workflow.Stamp{At: s.now, ID: fmt.Sprintf("i%d", s.n)}}); out != "" {
			fmt.Fprintf(&b, "%s\n%s", hhmm(s.now), indent(out))
		}
		require.True(s.t, s.wake.IsZero() || s.wake.After(s.now), "the episode must not ask to be woken in the past")
	}
	s.now = to
	return b.String()
}

func indent(text string) string {
	return "  " + strings.ReplaceAll(strings.TrimSuffix(text, "\n"), "\n", "\n  ") + "\n"
}

func hhmm(t time.Time) string {
	if t.IsZero() {
		return "-"
	}
	d := t.Sub(day)
	return fmt.Sprintf("%02d:%02d", int(d.Hours()), int(d.Minutes())%60)
}

// taskLine is a Task on one line, without what is as usual.
func taskLine(t workflow.Task) string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s %s", t.Key, t.Status)
	if t.Status.Finished() {
		fmt.Fprintf(&b, " at=%s", hhmm(t.End))
	} else {
		fmt.Fprintf(&b, " from=%s due=%s", hhmm(t.NotBefore), hhmm(t.Due))
	}
	if t.Planned != nil {
		fmt.Fprintf(&b, " planned=%s", t.Planned)
	}
	if t.Priority != workflow.Routine && !t.Status.Finished() {
		fmt.Fprintf(&b, " %s", t.Priority)
	}
	if t.Lateness != "" {
		fmt.Fprintf(&b, " %s", t.Lateness)
	}
	if t.Owner != "" {
		fmt.Fprintf(&b, " owner=%s", t.Owner)
	}
	if len(t.Outputs) > 0 && len(t.Lacks()) > 0 {
		fmt.Fprintf(&b, " lacks=%v", t.Lacks())
	}
	for _, w := range t.Withheld {
		fmt.Fprintf(&b, "\n    withheld: %s (%s)", w.Reason, w.Lifter)
	}
	if t.Status.Finished() && t.StatusReason != "" {
		fmt.Fprintf(&b, "\n    because: %s", t.StatusReason)
	}
	if t.Key.Code == workflow.ClinicianReview && !t.Status.Finished() {
		fmt.Fprintf(&b, " calls=%d\n    %s", len(t.Called), t.Description)
	}
	for _, n := range t.Notes {
		fmt.Fprintf(&b, "\n    note: %s", n.Text)
	}
	return b.String() + "\n"
}

func (s *story) show() string {
	var b strings.Builder
	sum := s.e.Plan.Summary
	fmt.Fprintf(&b, "plan %s band=%t book=%s %s bleeds=%d\n", s.e.Plan.Status, sum.BandOn, sum.Book.State, sum.Book.Volume, sum.Bleeds)
	for _, why := range sum.Book.Why {
		fmt.Fprintf(&b, "doubt: %s\n", why)
	}
	for _, entry := range s.e.Ledger() {
		fmt.Fprintf(&b, "ledger %s %s %s %s\n", hhmm(entry.At), entry.Kind, entry.Delta, entry.Reason)
	}
	for _, t := range s.e.Tasks {
		if !t.Status.Finished() {
			b.WriteString(taskLine(t))
		}
	}
	return b.String()
}

// checkReplay proves that the inputs alone give the same state (design rule 7).
func (s *story) checkReplay(t *testing.T) {
	if s.e.ID == "" {
		return
	}
	again := workflow.New(s.e.ID, s.e.Protocol, s.e.NoProtocol)
	for _, in := range s.inputs {
		var err error
		again, _, err = workflow.Step(again, in)
		require.NoError(t, err)
	}
	require.Equal(t, s.e, again)
}
