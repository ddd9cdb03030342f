package workflow

import (
	"fmt"
	"time"
)

// EntryKind is what an entry of the volume ledger is.
type EntryKind string

// The kinds of ledger entry. The last three are adjustments: they have a reason.
const (
	EntryStart    EntryKind = "start"
	EntryRemoved  EntryKind = "removed"
	EntryAdded    EntryKind = "added"
	EntryCounted  EntryKind = "counted"  // a count that settled the volume
	EntryOrdered  EntryKind = "ordered"  // an order that settled the volume
	EntryTakenOff EntryKind = "band-off" // air that left with a band: taken off or replaced
)

// Entry is one line of the volume ledger. The deltas add up to the book volume,
// exactly.
type Entry struct {
	Kind   EntryKind
	At     time.Time
	Delta  Decimal // mL, negative for air that left
	By     string
	Reason string
}

// doubt is a question about the volume that waits for a person.
type doubt struct {
	why    string
	at     time.Time // when it was found
	raised time.Time // when it was recorded
	entry  bool      // a question about entries: only what is entered later can settle it
	issue  IssueCode // what contradicts what, "" when it is no contradiction
	// findings are the ids of what contradicts each other.
	findings []string
}

// ledger follows the air in the band.
type ledger struct {
	entries   []Entry
	known     bool
	volume    Decimal
	start     Decimal // what the band on the wrist started with, as far as is known
	opened    bool    // there is an entry for the band on the wrist
	max       Decimal
	doubts    []doubt
	confirmed time.Time
	by        string
	changed   time.Time // last change of air or band
	added     time.Time // last air added
	out       Decimal   // taken out last and not put back since
	emptied   time.Time // when the book came to nothing; zero while there is air
	lastOut   *Finding
	lastIn    *Finding
}

func (l *ledger) book() Book {
	b := Book{State: BookKnown, Volume: l.volume, Confirmed: l.confirmed, By: l.by}
	switch {
	case !l.known:
		b.State, b.Volume = BookUnknown, Decimal{}
	case len(l.doubts) > 0:
		b.State = BookUncertain
	}
	for _, d := range l.doubts {
		b.Why = append(b.Why, d.why)
	}
	return b
}

func (l *ledger) post(kind EntryKind, at time.Time, delta Decimal, by, reason string) {
	l.entries = append(l.entries, Entry{Kind: kind, At: at, Delta: delta, By: by, Reason: reason})
	l.volume = l.volume.Add(delta)
}

func (l *ledger) doubtful(at, recorded time.Time, format string, args ...any) {
	l.doubts = append(l.doubts, doubt{why: fmt.Sprintf(format, args...), at: at, raised: recorded})
}

// against is a doubt because a finding contradicts the book.
func (l *ledger) against(f *Finding, format string, args ...any) {
	l.doubtful(f.When(), f.Recorded, format, args...)
	l.doubts[len(l.doubts)-1].contradicts(IssueVolume, f)
}

// contradiction is a doubt about what was entered: the same entry can't settle it.
func (l *ledger) contradiction(f *Finding, format string, args ...any) {
	l.against(f, format, args...)
	l.doubts[len(l.doubts)-1].entry = true
}

// twice is a contradiction of two entries that may be one act.
func (l *ledger) twice(before, f *Finding, how string) {
	l.contradiction(f, "%s mL %s was charted twice within minutes: one act or two?", f.Amount, how)
	l.doubts[len(l.doubts)-1].contradicts(IssueTwice, before, f)
}

func (d *doubt) contradicts(code IssueCode, findings ...*Finding) {
	d.issue, d.findings = code, nil
	for _, f := range findings {
		d.findings = append(d.findings, f.ID)
	}
}

// begin opens the ledger with a volume that was told.
func (l *ledger) begin(at, recorded time.Time, volume Decimal, by string) {
	l.post(EntryStart, at, volume, by, "")
	l.known, l.opened, l.start, l.doubts = true, true, volume, nil
	l.confirmed, l.by = at, by
	if l.max.Less(volume) {
		l.doubtful(at, recorded, "%s mL at the start is above the maximum of %s mL", volume, l.max)
	}
}

// remove posts air taken out.
func (l *ledger) remove(f *Finding, twin bool) {
	if twin {
		l.twice(l.lastOut, f, "out")
	}
	l.post(EntryRemoved, f.When(), Decimal{}.Sub(*f.Amount), f.By, "")
	l.opened, l.changed, l.out, l.lastOut = true, f.When(), *f.Amount, f
	if l.known && l.volume.Sign() < 0 {
		l.against(f, "more air came out than was in the book: %s mL", l.volume)
	}
	l.emptied = time.Time{}
	if l.known && l.volume.Sign() == 0 {
		l.emptied = f.When()
	}
}

// nothing notes that the syringe drew no air.
func (l *ledger) nothing(f *Finding) {
	if l.known && l.volume.Sign() != 0 {
		l.against(f, "the syringe drew nothing while the book says %s mL", l.volume)
	}
}

// add posts air put in.
func (l *ledger) add(f *Finding, twin bool) {
	if twin {
		l.twice(l.lastIn, f, "in")
	}
	l.post(EntryAdded, f.When(), *f.Amount, f.By, "")
	l.opened, l.changed, l.added, l.lastIn, l.out = true, f.When(), f.When(), f, Decimal{}
	l.emptied = time.Time{}
	if l.known && l.max.Less(l.volume) {
		l.against(f, "%s mL in the band would be above the maximum of %s mL", l.volume, l.max)
	}
}

// count takes a volume that a person counted: it opens the ledger, confirms it, settles
// what was in doubt before it was entered, or contradicts it.
func (l *ledger) count(f *Finding) {
	at, volume := f.When(), *f.Amount
	switch {
	case !l.known && !l.opened:
		l.begin(at, f.Recorded, volume, f.By)
		l.setEmpty(at)
	case !l.known, len(l.doubts) > 0 && l.settledBy(f):
		l.settle(EntryCounted, at, volume, f.By, "counted at the bedside")
	case len(l.doubts) > 0:
		l.contradiction(f, "%s mL counted while the volume was in doubt", volume)
	case l.volume.Cmp(volume) == 0:
		l.confirmed, l.by = at, f.By
	default:
		l.contradiction(f, "%s mL counted while the book says %s mL", volume, l.volume)
	}
}

// settledBy reports whether a count was made after every question arose; what was
// entered at odds must have been entered before.
func (l *ledger) settledBy(f *Finding) bool {
	for _, d := range l.doubts {
		if f.When().Before(d.at) || d.entry && !f.Recorded.After(d.raised) {
			return false
		}
	}
	return true
}

// settle makes the volume known by an adjustment of its own.
func (l *ledger) settle(kind EntryKind, at time.Time, volume Decimal, by, reason string) {
	if len(l.doubts) > 0 {
		reason = l.doubts[len(l.doubts)-1].why + "; " + reason
	}
	l.post(kind, at, volume.Sub(l.volume), by, reason)
	if l.start.Less(volume) {
		l.start = volume
	}
	l.known, l.opened, l.doubts, l.confirmed, l.by = true, true, nil, at, by
	l.setEmpty(at)
}

func (l *ledger) setEmpty(at time.Time) {
	l.emptied = time.Time{}
	if l.volume.Sign() == 0 {
		l.emptied = at
	}
}

// close takes the air that left with the band off the book.
func (l *ledger) close(at time.Time, by string) {
	if l.volume.Sign() != 0 {
		l.post(EntryTakenOff, at, Decimal{}.Sub(l.volume), by, "taken off with air in it")
	}
	l.known, l.doubts, l.changed = true, nil, at
	l.setEmpty(at)
}

// another begins a segment of its own for another band: what the one before held has
// left with it, and nobody has told what the new one holds.
func (l *ledger) another(f *Finding, why string) {
	if l.volume.Sign() != 0 {
		l.post(EntryTakenOff, f.When(), Decimal{}.Sub(l.volume), f.By, "the band was replaced")
	}
	l.known, l.opened, l.start = false, false, Decimal{}
	l.changed, l.lastOut, l.lastIn, l.out = f.When(), nil, nil, Decimal{}
	l.emptied = time.Time{}
	l.doubts = []doubt{{why: why, at: f.When(), raised: f.Recorded}}
}

// twin reports whether f may be the same act as the one before.
func twin(before, f *Finding, within time.Duration) bool {
	return before != nil && before.ID != f.ID && before.Amount.Cmp(*f.Amount) == 0 && f.When().Sub(before.When()) <= within
}
