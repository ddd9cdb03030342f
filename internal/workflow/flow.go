package workflow

import "time"

// flow is what is known of the blood flow through the radial artery.
type flow struct {
	last    *Finding // last test by a method that can show patency, real or not
	shut    *Finding // the last that found the artery closed, until one finds it open
	stale   bool     // air was added since
	tries   int      // easings since the artery was last patent
	easedAt time.Time
	turns   int // bleeds that followed an easing
}

// tested folds a patency test. A method that can't show patency closes nothing.
func (v *view) tested(f *Finding) {
	if f.Real() && !f.Method.ShowsPatency() {
		return
	}
	v.flow.last, v.flow.stale = f, false
	if !f.Real() {
		return
	}
	if f.Answer == Occluded {
		v.flow.shut = f
	}
	switch {
	case f.Answer == Patent:
		v.flow.tries, v.flow.shut = 0, nil
		for _, cause := range []string{"occluded-after-removal", "bleeding-and-not-patent", "easing-without-success"} {
			v.clear(cause)
		}
	case !v.bandOn() && f.Answer == Occluded:
		v.concern("occluded-after-removal", Urgent, f.When(),
			"the radial artery was not open after the band came off: duplex and the site's own procedure")
	case f.Answer == Occluded && v.site.bleed != nil:
		v.concern("bleeding-and-not-patent", Urgent, f.When(), "the site bleeds and the artery is not open: pressure and flow ask for opposite things")
	}
	if f.Answer != Patent && v.bandOn() && v.flow.tries >= v.p.EaseTries {
		v.concern("easing-without-success", Urgent, f.When(), "the artery was not shown open after easing as often as the protocol says")
	}
}

func (w *flow) eased(f *Finding) {
	w.tries++
	w.easedAt = f.When()
}

// turn counts a bleed that followed an easing.
func (w *flow) turn(lastChange time.Time) {
	if !w.easedAt.IsZero() && w.easedAt.Equal(lastChange) {
		w.turns++
	}
}

// mayEase is how many turns of easing and bleeding there may be before haemostasis
// comes first.
const mayEase = 2

// notPatent reports whether a test found the artery closed and none found it open since,
// under the band as it is now: one that was not done or says nothing takes nothing back.
func (v *view) notPatent() bool { return v.flow.shut != nil && !v.flow.stale }

// inconclusive reports whether the last test said nothing: indeterminate, not done or
// could not assess.
func (v *view) inconclusive() bool {
	w := v.flow
	return w.last != nil && (!w.last.Real() || w.last.Answer == Indeterminate)
}

// testedSince reports whether a test was made, or its absence charted, at or after t.
func (v *view) testedSince(t time.Time) bool {
	return v.flow.last != nil && !v.flow.last.When().Before(t)
}
