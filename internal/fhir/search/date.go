package search

import (
	"math"
	"strings"
	"time"
)

// instants gives the first and the last instant that an R4 date, dateTime or instant
// stands for, in nanoseconds since 1970-01-01 UTC, both inclusive: "2024-03" is the
// whole of March. A time without offset, allowed only in a query, and a date are taken
// as UTC. What lies outside the range of int64 (before 1677 or after 2262) becomes the
// nearest open end.
func instants(text string) (lo, hi int64, ok bool) {
	start, next, ok := bounds(text)
	if !ok {
		return 0, 0, false
	}
	return nanoseconds(start), nanoseconds(next.Add(-1)), true
}

// bounds gives the instant at which the text begins and the one at which it is over.
func bounds(text string) (start, next time.Time, ok bool) {
	day, clock, timed := strings.Cut(text, "T")
	if timed {
		return timeOfDay(day, clock)
	}
	switch len(text) {
	case len("2006"):
		start, ok = parsed("2006", text)
		return start, start.AddDate(1, 0, 0), ok
	case len("2006-01"):
		start, ok = parsed("2006-01", text)
		return start, start.AddDate(0, 1, 0), ok
	}
	start, ok = parsed(time.DateOnly, text)
	return start, start.AddDate(0, 0, 1), ok
}

func timeOfDay(day, clock string) (start, next time.Time, ok bool) {
	zone := "Z"
	if i := strings.IndexAny(clock, "Z+-"); i >= 0 {
		clock, zone = clock[:i], clock[i:]
	}
	if len(clock) == len("15:04") {
		start, ok = parsed("2006-01-02T15:04Z07:00", day+"T"+clock+zone)
		return start, start.Add(time.Minute), ok
	}
	whole, fraction, _ := strings.Cut(clock, ".")
	leap := strings.HasSuffix(whole, ":60") // a leap second, R4 datatypes.html#dateTime
	if leap {
		whole = strings.TrimSuffix(whole, "60") + "59"
	}
	if fraction != "" {
		whole += "." + fraction
	}
	start, ok = parsed(time.RFC3339, day+"T"+whole+zone)
	if leap {
		start = start.Add(time.Second)
	}
	precision := time.Second
	for range min(len(fraction), 9) {
		precision /= 10
	}
	return start, start.Add(precision), ok
}

func parsed(layout, text string) (time.Time, bool) {
	t, err := time.Parse(layout, text)
	return t, err == nil
}

func nanoseconds(t time.Time) int64 {
	switch {
	case t.Before(time.Unix(0, math.MinInt64)):
		return math.MinInt64
	case t.After(time.Unix(0, math.MaxInt64)):
		return math.MaxInt64
	}
	return t.UnixNano()
}
