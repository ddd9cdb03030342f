package fhirpath

import (
	"fmt"
	"strings"
	"time"
)

// precision is how far a date or time was written out.
type precision uint8

const (
	toYear precision = iota + 1
	toMonth
	toDay
	toHour
	toMinute
	toSecond
	toMilli
)

// moment is a Date, DateTime or Time with the precision in which it was written.
// Seconds and fractions count as one precision (hl7.org/fhirpath/N1 section 6.2).
type moment struct {
	year, month, day, hour, minute, second int
	nanos                                  int
	fraction                               int // digits of the fraction as written
	precision                              precision
	zoned                                  bool
	offset                                 int // minutes east of UTC
}

// parseMoment reads the text of a literal (without "@") or of a FHIR primitive.
func parseMoment(k kind, text string) (moment, bool) {
	m := moment{year: 1, month: 1, day: 1}
	if k == kindTime {
		return m.readTime(strings.TrimPrefix(text, "T"))
	}
	date, clock, hasTime := strings.Cut(text, "T")
	if !m.readDate(date) {
		return moment{}, false
	}
	if !hasTime || clock == "" {
		return m, !hasTime || k == kindDateTime
	}
	if k == kindDate {
		return moment{}, false
	}
	clock, ok := m.readZone(clock)
	if !ok || m.precision != toDay {
		return moment{}, false
	}
	return m.readTime(clock)
}

func (m *moment) readDate(s string) bool {
	fits := len(s) == 4 || len(s) == 7 && s[4] == '-' || len(s) == 10 && s[4] == '-' && s[7] == '-'
	if !fits {
		return false
	}
	m.year, m.precision = digits(s[:4]), toYear
	if len(s) > 4 {
		m.month, m.precision = digits(s[5:7]), toMonth
	}
	if len(s) > 7 {
		m.day, m.precision = digits(s[8:10]), toDay
	}
	return m.year >= 0 && m.month >= 1 && m.month <= 12 && m.day >= 1 && (m.day <= 28 || m.day <= daysIn(m.year, m.month))
}

// digits reads a number, -1 when there is anything but digits.
func digits(s string) int {
	n := 0
	for i := range len(s) {
		c := s[i] - '0'
		if c > 9 {
			return -1
		}
		n = 10*n + int(c)
	}
	return n
}

func (m *moment) readZone(s string) (string, bool) {
	if rest, ok := strings.CutSuffix(s, "Z"); ok {
		m.zoned = true
		return rest, true
	}
	i := max(strings.LastIndexByte(s, '+'), strings.LastIndexByte(s, '-'))
	if i < 0 {
		return s, true
	}
	z := s[i+1:]
	if len(z) != 5 || z[2] != ':' {
		return "", false
	}
	h, n := digits(z[:2]), digits(z[3:])
	if h < 0 || n < 0 || h > 14 || n > 59 {
		return "", false
	}
	m.zoned, m.offset = true, h*60+n
	if s[i] == '-' {
		m.offset = -m.offset
	}
	return s[:i], true
}

func (m moment) readTime(s string) (moment, bool) {
	whole, fraction, hasFraction := strings.Cut(s, ".")
	if hasFraction && (len(whole) != 8 || fraction == "" || len(fraction) > 9) {
		return moment{}, false
	}
	for i, field := range [...]struct {
		n    *int
		most int
	}{{&m.hour, 23}, {&m.minute, 59}, {&m.second, 60}} { // 60 for a leap second
		at := 3 * i
		if at > len(whole) && i > 0 {
			break
		}
		if len(whole) < at+2 || len(whole) > at+2 && whole[at+2] != ':' {
			return moment{}, false
		}
		v := digits(whole[at : at+2])
		if v < 0 || v > field.most {
			return moment{}, false
		}
		*field.n, m.precision = v, toHour+precision(i)
	}
	if len(whole) > 8 {
		return moment{}, false
	}
	if hasFraction {
		v := digits(fraction)
		if v < 0 {
			return moment{}, false
		}
		for range 9 - len(fraction) {
			v *= 10
		}
		m.nanos, m.fraction, m.precision = v, len(fraction), toMilli
	}
	return m, true
}

func daysIn(year, month int) int {
	return time.Date(year, time.Month(month)+1, 0, 0, 0, 0, 0, time.UTC).Day()
}

// utc gives the same instant at offset zero.
func (m moment) utc() moment {
	if !m.zoned || m.offset == 0 || m.precision < toHour {
		return m
	}
	t := m.time().Add(-time.Duration(m.offset) * time.Minute)
	out := m.with(t)
	out.offset = 0
	return out
}

// time gives the fields as a time in UTC, whatever the offset.
func (m moment) time() time.Time {
	return time.Date(m.year, time.Month(m.month), m.day, m.hour, m.minute, m.second, m.nanos, time.UTC)
}

func (m moment) with(t time.Time) moment {
	m.year, m.month, m.day = t.Year(), int(t.Month()), t.Day()
	m.hour, m.minute, m.second, m.nanos = t.Hour(), t.Minute(), t.Second(), t.Nanosecond()
	return m
}

// compare orders two moments of one kind; false when their precision leaves it open.
func (m moment) compare(o moment) (int, bool) {
	if m.zoned != o.zoned && m.precision > toDay && o.precision > toDay {
		return m.compareAcrossZones(o)
	}
	a, b := m, o
	if m.offset != o.offset {
		a, b = m.utc(), o.utc()
	}
	fields := [...][2]int{
		{a.year, b.year},
		{a.month, b.month},
		{a.day, b.day},
		{a.hour, b.hour},
		{a.minute, b.minute},
		{a.second*1e9 + a.nanos, b.second*1e9 + b.nanos},
	}
	depth := min(whole(a.precision), whole(b.precision))
	for _, f := range fields[:depth] {
		if f[0] != f[1] {
			return sign(f[0] - f[1]), true
		}
	}
	return 0, whole(a.precision) == whole(b.precision)
}

// compareAcrossZones orders a moment with a zone against one without: certain only
// when no zone (14 hours west to 14 east) can change the answer.
func (m moment) compareAcrossZones(o moment) (int, bool) {
	const widest = 14 * time.Hour
	d := m.utc().time().Sub(o.utc().time())
	if d > widest+time.Hour {
		return 1, true
	}
	if d < -widest-time.Hour {
		return -1, true
	}
	return 0, false
}

func whole(p precision) int { return int(min(p, toSecond)) }

func sign(n int) int {
	switch {
	case n < 0:
		return -1
	case n > 0:
		return 1
	}
	return 0
}

// text writes the moment as it would be read.
func (m moment) text(k kind) string {
	var b strings.Builder
	if k != kindTime {
		fmt.Fprintf(&b, "%04d", m.year)
		if m.precision >= toMonth {
			fmt.Fprintf(&b, "-%02d", m.month)
		}
		if m.precision >= toDay {
			fmt.Fprintf(&b, "-%02d", m.day)
		}
		if m.precision >= toHour {
			b.WriteByte('T')
		}
	}
	if m.precision >= toHour {
		fmt.Fprintf(&b, "%02d", m.hour)
	}
	if m.precision >= toMinute {
		fmt.Fprintf(&b, ":%02d", m.minute)
	}
	if m.precision >= toSecond {
		fmt.Fprintf(&b, ":%02d", m.second)
	}
	if m.precision == toMilli {
		b.WriteString("." + fmt.Sprintf("%09d", m.nanos)[:m.fraction])
	}
	b.WriteString(m.zoneText())
	return b.String()
}

func (m moment) zoneText() string {
	if !m.zoned || m.precision < toHour {
		return ""
	}
	if m.offset == 0 {
		return "Z"
	}
	s, o := byte('+'), m.offset
	if o < 0 {
		s, o = '-', -o
	}
	return fmt.Sprintf("%c%02d:%02d", s, o/60, o%60)
}
