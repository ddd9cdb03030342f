package site

import (
	"fmt"
	"time"

	"github.com/google/uuid"

	"fhirsvc/internal/sandbox/bedside"
)

// story is what the people of one patient tell, drawn before it begins.
type story struct {
	patient int
	kase    bedside.Case // as it is told last
	sends   []sending    // in the order in which they are sent
	entries []entry      // in the order in which they are charted
}

// sending is an event on its way.
type sending struct {
	kase   bedside.Case
	stream bool   // over JetStream, else to $process-message
	id     string // Nats-Msg-Id, "" gives none
	times  int
}

// entry is a finding, and what becomes of it.
type entry struct {
	finding bedside.Finding // without its patient, whom nobody knows yet
	twice   bool            // at the same moment, as an impatient screen does
	amend   string          // the amount that it is corrected to, "" if it stays
	mistake bool            // it is taken back
}

// air is what the entry adds to the band in the end, mL.
func (e entry) air() int {
	amount := e.finding.Amount
	if e.amend != "" {
		amount = e.amend
	}
	n := 0
	if _, err := fmt.Sscanf(amount, "%d", &n); err != nil {
		return 0 // not of air
	}
	if e.finding.Code == "band-air-removed" {
		return -n
	}
	return n
}

// book is the air that must be in the band in the end, mL.
func (s story) book() int {
	sum := 0
	_, _ = fmt.Sscanf(s.kase.Volume, "%d", &sum) // our own digits
	for _, e := range s.entries {
		sum += e.air()
	}
	return sum
}

// tell draws a story. Compression began some multiple of five minutes ago, and a few
// seconds less: whatever the protocol counts in minutes falls due while the run lasts.
func tell(seed uint64, patient int, now time.Time) story {
	d := newDice(seed, fmt.Sprintf("patient %d", patient))
	start := now.Add(-time.Duration(3+d.n(22))*5*time.Minute + d.between(500*time.Millisecond, 5*time.Second)).UTC().Truncate(time.Millisecond)
	kind := "diagnostic"
	if d.one(3) {
		kind = "intervention"
	}
	s := story{patient: patient, kase: bedside.NewCase(1000+patient, kind, start)}
	s.kase.Message = message(d)
	s.drawSends(d)
	s.drawEntries(d, now)
	return s
}

// crowded is the first seed with crowds. Those below were played before there were any, and
// give the runs of docs/faults.csv still.
const crowded = 10_000

// crowd draws patients whom nobody looks after, all told of at once: what the protocol counts
// falls due for all of them at one moment, so long after the run has begun.
func crowd(seed uint64, from int, now time.Time) (stories []story, due time.Duration) {
	d := newDice(seed, "crowd")
	if seed < crowded || d.one(2) {
		return nil, 0
	}
	due = d.between(2500*time.Millisecond, 4*time.Second)
	start := now.Add(due - time.Duration(3+d.n(9))*5*time.Minute).UTC().Truncate(time.Millisecond)
	for n := range 8 {
		c := bedside.NewCase(1000+from+n, "diagnostic", start)
		c.Message = message(d)
		stories = append(stories, story{patient: from + n, kase: c, sends: []sending{{kase: c, stream: true, times: 1}}})
	}
	return stories, due
}

// message draws a message id, so that a seed gives the same ones again.
func message(d *dice) string {
	var id uuid.UUID
	for i := range id {
		id[i] = byte(d.n(256))
	}
	id[6], id[8] = id[6]&0x0f|0x40, id[8]&0x3f|0x80 // RFC 9562, version 4
	return id.String()
}

// drawSends draws how the event is told: by which door, how often, corrected or not, and
// in which order.
func (s *story) drawSends(d *dice) {
	one := func(c bedside.Case) sending {
		to := sending{kase: c, stream: !d.one(3), times: 1 + d.n(4)/2}
		if d.one(2) {
			to.id = c.Message
		}
		return to
	}
	s.sends = []sending{one(s.kase)}
	if d.one(3) {
		better := s.kase
		better.Version, better.Message, better.Volume = s.kase.Version.Add(time.Minute), message(d), []string{"13", "14"}[d.n(2)]
		s.kase = better
		s.sends = append(s.sends, one(better))
		if d.one(2) {
			s.sends[0], s.sends[1] = s.sends[1], s.sends[0]
		}
	}
	if d.one(3) { // by the other door as well
		again := s.sends[d.n(len(s.sends))]
		again.stream = !again.stream
		s.sends = append(s.sends, again)
	}
}

// drawEntries draws what was found, six minutes apart, so that no two may be one act. At
// no moment is there less than no air in the band, or more than it bears.
func (s *story) drawEntries(d *dice, now time.Time) {
	least := 13 // mL, by the corrections there may be
	for i := range 7 {
		at := s.kase.Started.Add(2*time.Minute + time.Duration(i)*6*time.Minute + d.between(0, 30*time.Second))
		if at.After(now.Add(-time.Second)) {
			break
		}
		e := entry{twice: d.one(4), finding: bedside.Finding{
			At: at, By: bedside.Nurse(), Side: "right", ID: fmt.Sprintf("entry-%d-%d", s.patient, i),
		}}
		f := &e.finding
		switch n := 1 + d.n(3); {
		case d.one(3) && least >= n:
			f.Code, f.Amount = "band-air-removed", fmt.Sprint(n)
			if d.one(4) && n > 1 {
				e.amend, n = fmt.Sprint(n-1), n-1
			}
			least -= n
		case d.one(5) && least <= 11:
			f.Code, f.Amount = "band-air-added", "2"
			least += 2
		case d.one(8):
			f.Code, f.Answer = "access-site-bleeding", "bleeding"
		case d.one(4):
			f.Code, f.Answer = "hand-check", "normal"
		default:
			f.Code, f.Answer, e.mistake = "access-site-bleeding", "haemostasis", d.one(8)
		}
		s.entries = append(s.entries, e)
	}
	for i := range s.entries { // charted in any order
		k := i + d.n(len(s.entries)-i)
		s.entries[i], s.entries[k] = s.entries[k], s.entries[i]
	}
}
