package workflow

import (
	"fmt"
	"time"
)

// site is what the looks at the puncture said.
type site struct {
	last     *Finding // last real look
	latest   *Finding // last finding about the site, real or not
	fresh    bool     // the last dry look came after the last change of air or band
	bleed    *bleed   // the open one
	bleeds   int
	lastAt   time.Time // when the last bleed was found
	hold     time.Time // no release before
	puzzle   time.Time // air was put back and no bleed was charted; until somebody looks
	dryAt    time.Time // haemostasis after the last bleed under the band
	dry      int       // dry steps since the last bleed
	afterOff *bleed    // bleeding after the band came off, while it is open
	dryOff   time.Time // haemostasis after that
}

// bleed is one bleed from its first finding to haemostasis.
type bleed struct {
	finding  string // id of the first finding
	flash    bool   // looked for by the titration: no hold, no count
	active   bool
	since    time.Time
	restored time.Time // first air put back
	looked   time.Time // last look that still bled
}

// causeAfterRemoval is the cause of reviews of bleeding after the band came off.
const causeAfterRemoval = "bleeding-after-removal"

// look folds a look at the site.
func (v *view) look(f *Finding) {
	v.site.latest = f
	if !f.Real() {
		return
	}
	v.site.last, v.site.puzzle = f, time.Time{}
	switch f.Answer { //nolint:exhaustive // the other answers are not about the site
	case Haemostasis:
		v.dry(f)
	case Oozing, Active:
		v.bled(f)
	}
}

func (v *view) dry(f *Finding) {
	s := &v.site
	s.fresh = true
	if s.afterOff != nil {
		s.afterOff, s.dryOff = nil, f.When()
		v.clear(causeAfterRemoval)
	}
	if s.bleed != nil && s.bleed.flash {
		s.bleed = nil
		return
	}
	if s.bleed != nil {
		s.hold, s.dryAt, s.bleed = f.When().Add(v.holdAfter(s.bleed)), f.When(), nil
		return
	}
	if n := len(v.releases); n > 0 && !v.releases[n-1].told {
		v.releases[n-1].told = true
		s.dry++
	}
}

func (v *view) bled(f *Finding) {
	s := &v.site
	if !v.bandOn() {
		if s.afterOff == nil {
			s.afterOff = &bleed{since: f.When()}
			v.concern(causeAfterRemoval, Urgent, f.When(), "the site bled after the band was off")
		}
		s.afterOff.active = s.afterOff.active || f.Answer == Active
		return
	}
	if s.bleed == nil && f.Answer == Oozing && !v.p.RestoreOnOoze {
		return
	}
	if s.bleed == nil && v.flash(f.When()) {
		s.bleed = &bleed{finding: f.ID, since: f.When(), flash: true}
	}
	if s.bleed == nil {
		s.bleed = &bleed{finding: f.ID, since: f.When()}
		s.bleeds++
		s.lastAt, s.dry = f.When(), 0
		v.flow.turn(v.ledger.changed)
		if n := len(v.releases); n > 0 {
			v.releases[n-1].told = true // it did not stay dry
		}
		v.countBleeds(f)
	}
	s.bleed.active = s.bleed.active || f.Answer == Active
	s.bleed.looked = f.When()
	if s.bleed.flash {
		return
	}
	s.hold = later(s.hold, f.When().Add(v.holdAfter(s.bleed))) // at best; counted anew from haemostasis
}

// holdAfter is how long no air goes out after a bleed.
func (v *view) holdAfter(b *bleed) time.Duration {
	if b.active {
		return v.p.HoldAfterBleed
	}
	return v.p.HoldAfterOoze
}

func (v *view) countBleeds(f *Finding) {
	if v.site.bleeds >= v.p.ReviewBleeds {
		v.concern(v.bleedCause(), Routine, f.When(), fmt.Sprintf("bleed number %d: how is the release to go on?", v.site.bleeds))
	}
}

// bleedCause names the last bleed: whatever is to be told of it is one cause.
func (v *view) bleedCause() string { return fmt.Sprintf("bleeding-%d", v.site.bleeds) }

// restored folds air put back. Without a bleed that anybody charted it is held as after
// oozing, and somebody is asked to look and to chart what was seen.
func (v *view) restored(f *Finding) {
	s := &v.site
	switch {
	case s.bleed == nil && v.e.actOf(f.ID) == "":
		s.puzzle, s.hold = f.When(), later(s.hold, f.When().Add(v.p.HoldAfterOoze))
	case s.bleed != nil && s.bleed.restored.IsZero():
		s.bleed.restored = f.When()
	}
}

// otherBand forgets what was seen under the band before.
func (s *site) otherBand() { s.fresh, s.puzzle = false, time.Time{} }

// bandOff ends what was open about the band: bleeding from now on is bleeding after
// removal.
func (s *site) bandOff() {
	if s.bleed != nil {
		s.afterOff, s.bleed = s.bleed, nil
	}
}

// notHeld gives when active bleeding that goes on after restoring must be told, zero if
// there is none.
func (v *view) notHeld() time.Time {
	b := v.site.bleed
	if b == nil || !b.active || b.restored.IsZero() || b.looked.Before(b.restored) {
		return time.Time{}
	}
	return b.restored.Add(v.p.NotHeld)
}
