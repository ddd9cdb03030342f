package site

import (
	"slices"
	"time"
)

// What a due time may be late by beside the time in which no replica could work: a second,
// and the lease of a replica that had claimed it and was not able to.
const (
	second    = time.Second
	leaseTime = time.Second
)

// span is from when to when.
type span struct{ from, to time.Time }

// ableTimes are the times in which a replica was able to work, by its own word: between
// two answers that say so, each to a question asked after the one before.
func ableTimes(list []probe) []span {
	var spans []span
	for i := 1; i < len(list); i++ {
		if list[i-1].able && list[i].able {
			spans = append(spans, span{list[i-1].asked, list[i].told})
		}
	}
	return spans
}

// union joins what overlaps.
func union(spans []span) []span {
	slices.SortFunc(spans, func(a, b span) int { return a.from.Compare(b.from) })
	var joined []span
	for _, s := range spans {
		if n := len(joined); n > 0 && !s.from.After(joined[n-1].to) {
			if s.to.After(joined[n-1].to) {
				joined[n-1].to = s.to
			}
			continue
		}
		joined = append(joined, s)
	}
	return joined
}

// within is how much of a time the spans cover; they don't overlap.
func within(spans []span, from, to time.Time) time.Duration {
	var sum time.Duration
	for _, s := range spans {
		begin, end := s.from, s.to
		if begin.Before(from) {
			begin = from
		}
		if end.After(to) {
			end = to
		}
		if end.After(begin) {
			sum += end.Sub(begin)
		}
	}
	return sum
}

// checkTimes: nothing is done before its time, nor twice, and nothing later than the
// replicas' absence and a second, with the lease where one of two was absent. All is judged by
// the database's clock, as far as that was not stepped.
func checkTimes(r *record, wrong complain) {
	var any []span
	for _, list := range r.probes {
		any = append(any, ableTimes(list)...)
	}
	any = union(any)
	for i, w := range r.witnessed {
		if i == 0 || r.witnessed[i-1].Episode != w.Episode {
			continue
		}
		before := r.witnessed[i-1]
		if w.Version != before.Version+1 {
			wrong("episode %s went from version %d to %d", w.Episode, before.Version, w.Version)
		}
		if before.Due == nil {
			continue
		}
		if w.Kind == "elapsed" && w.At.Add(r.turned).Before(*before.Due) {
			wrong("episode %s: what was due at %s was done at %s", w.Episode, before.Due, w.At)
		}
		from := *before.Due
		if before.At.After(from) {
			from = before.At
		}
		if late := within(any, from, w.At); late > second+leaseTime+r.turned {
			wrong("episode %s: version %d was due at %s and followed at %s, %s of which a replica was able to work", w.Episode, before.Version, from, w.At, late)
		}
	}
}
