package fhirpath

import (
	"fmt"
	"time"

	"github.com/cockroachdb/apd/v3"
)

// calc is the context of all decimal work: more digits than the 28 that FHIRPath asks for.
func calc() *apd.Context {
	c := apd.BaseContext.WithPrecision(34)
	c.Rounding = apd.RoundHalfUp
	return c
}

func arithmetic(op string, left, right code) code {
	return collected(func(e *Env, focus []Value) ([]Value, error) {
		l, r, err := both(e, focus, left, right)
		if err != nil {
			return nil, err
		}
		a, okA, err := single(l, op)
		if err != nil || !okA {
			return nil, err
		}
		b, okB, err := single(r, op)
		if err != nil || !okB {
			return nil, err
		}
		x, okX := a.system()
		y, okY := b.system()
		if !okX || !okY {
			if missing(a, okX) || missing(b, okY) {
				return nil, nil
			}
			return nil, fmt.Errorf("%s cannot work on a %s and a %s", op, a.TypeName(), b.TypeName())
		}
		out, ok, err := compute(op, x, y)
		if err != nil || !ok {
			return nil, err
		}
		return e.one(out), nil
	})
}

func compute(op string, x, y Value) (Value, bool, error) {
	switch {
	case x.kind == kindInteger && y.kind == kindInteger && op != "/":
		return integers(op, x.number, y.number)
	case isNumber(x) && isNumber(y):
		return decimals(op, decimalOf(x), decimalOf(y))
	case x.kind == kindString && y.kind == kindString && op == "+":
		return Text(x.text + y.text), true, nil
	case isMoment(x) && y.kind == kindQuantity && (op == "+" || op == "-"):
		return shift(x, y, op == "-")
	case (x.kind == kindQuantity || y.kind == kindQuantity) && op != "div" && op != "mod":
		x, y = asQuantity(x), asQuantity(y)
		if x.kind == kindQuantity && y.kind == kindQuantity {
			return quantities(op, x, y)
		}
	}
	return Value{}, false, fmt.Errorf("%s cannot work on a %s and a %s", op, systemName(x.kind), systemName(y.kind))
}

func integers(op string, a, b int64) (Value, bool, error) {
	var out int64
	switch op {
	case "+":
		out = a + b
		if (out > a) != (b > 0) {
			return Value{}, false, nil
		}
	case "-":
		out = a - b
		if (out < a) != (b > 0) {
			return Value{}, false, nil
		}
	case "*":
		out = a * b
		if a != 0 && (out/a != b || a == -1 && b == -1<<63) {
			return Value{}, false, nil
		}
	case "div", "mod":
		if b == 0 {
			return Value{}, false, nil
		}
		if op == "div" {
			out = a / b
		} else {
			out = a % b
		}
	}
	return Integer(out), true, nil
}

func decimals(op string, a, b *apd.Decimal) (Value, bool, error) {
	out, ctx := new(apd.Decimal), calc()
	var err error
	switch op {
	case "+":
		_, err = ctx.Add(out, a, b)
	case "-":
		_, err = ctx.Sub(out, a, b)
	case "*":
		_, err = ctx.Mul(out, a, b)
	default:
		if b.IsZero() {
			return Value{}, false, nil
		}
		switch op {
		case "/":
			_, err = ctx.Quo(out, a, b)
			out.Reduce(out)
		case "div":
			if _, err = ctx.QuoInteger(out, a, b); err == nil {
				n, intErr := out.Int64()
				return Integer(n), intErr == nil, nil
			}
		case "mod":
			_, err = ctx.Rem(out, a, b)
		}
	}
	if err != nil {
		return Value{}, false, err
	}
	return Decimal(out), true, nil
}

// shift adds a duration to a date or time: whole units down to its precision.
func shift(m, q Value, back bool) (Value, bool, error) {
	at, ok := parseMoment(m.kind, m.text)
	if !ok {
		return Value{}, false, fmt.Errorf("%q is no date or time", m.text)
	}
	unit := definiteUnit(q.text)
	if unit == "" {
		unit = calendarUnit(q.text) // also as 'month', which HL7's suite writes
	}
	if unit == "" {
		return Value{}, false, fmt.Errorf("a date or time cannot be moved by %q", q.text)
	}
	whole := new(apd.Decimal)
	exact := unit == "second" && at.precision == toMilli && q.number == 1
	if exact {
		if _, err := calc().Mul(whole, q.dec, apd.New(1000, 0)); err != nil {
			return Value{}, false, err
		}
		unit = "millisecond"
	} else {
		whole.Set(q.dec)
	}
	if _, err := calc().QuoInteger(whole, whole, apd.New(1, 0)); err != nil {
		return Value{}, false, err
	}
	n, err := whole.Int64()
	if err != nil || n > 1e12 || n < -1e12 {
		return Value{}, false, fmt.Errorf("a date or time cannot be moved so far")
	}
	if back {
		n = -n
	}
	out, ok := at.shift(m.kind, int(n), unit)
	if !ok {
		return Value{}, false, nil
	}
	return Value{kind: m.kind, text: out.text(m.kind)}, true, nil
}

// shift moves the moment by whole units, counted in its own precision when the
// unit is finer (hl7.org/fhirpath/N1 section 6.6.7).
func (m moment) shift(k kind, n int, unit string) (moment, bool) {
	switch unit {
	case "year":
		return m.addMonths(12 * n)
	case "month":
		if m.precision == toYear {
			return m.addMonths(n / 12 * 12)
		}
		return m.addMonths(n)
	}
	length := map[string]time.Duration{
		"week": 7 * 24 * time.Hour, "day": 24 * time.Hour, "hour": time.Hour,
		"minute": time.Minute, "second": time.Second, "millisecond": time.Millisecond,
	}[unit]
	if n > int(1<<62/length) || n < -int(1<<62/length) {
		return moment{}, false
	}
	d := time.Duration(n) * length
	switch m.precision {
	case toYear:
		return m.addMonths(int(d/(365*24*time.Hour)) * 12)
	case toMonth:
		return m.addMonths(int(d / (30 * 24 * time.Hour)))
	case toDay:
		d = d.Truncate(24 * time.Hour)
	case toHour:
		d = d.Truncate(time.Hour)
	case toMinute:
		d = d.Truncate(time.Minute)
	case toSecond:
		d = d.Truncate(time.Second)
	case toMilli:
	}
	out := m.with(m.time().Add(d))
	if k == kindTime {
		out.year, out.month, out.day = m.year, m.month, m.day
	}
	return out, out.year >= 1 && out.year <= 9999
}

// addMonths keeps the day, or takes the month's last one when there is no such day.
func (m moment) addMonths(n int) (moment, bool) {
	total := m.year*12 + m.month - 1 + n
	m.year, m.month = total/12, total%12+1
	if m.year < 1 || m.year > 9999 || total < 0 {
		return moment{}, false
	}
	m.day = min(m.day, daysIn(m.year, m.month))
	return m, true
}

// calendarUnit gives the singular of a calendar duration, "" for other words.
func calendarUnit(word string) string {
	switch word {
	case "year", "years":
		return "year"
	case "month", "months":
		return "month"
	case "week", "weeks":
		return "week"
	case "day", "days":
		return "day"
	case "hour", "hours":
		return "hour"
	case "minute", "minutes":
		return "minute"
	case "second", "seconds":
		return "second"
	case "millisecond", "milliseconds":
		return "millisecond"
	}
	return ""
}

// definiteUnit gives the calendar duration equal to a UCUM unit; a UCUM year or
// month is a mean one and moves no date.
func definiteUnit(ucum string) string {
	switch ucum {
	case "wk":
		return "week"
	case "d":
		return "day"
	case "h":
		return "hour"
	case "min":
		return "minute"
	case "s":
		return "second"
	case "ms":
		return "millisecond"
	}
	return ""
}
