package fhirpath

import (
	"fmt"
	"strings"

	"github.com/cockroachdb/apd/v3"
)

// boundaryFunctions holds lowBoundary, highBoundary, precision and comparable of
// FHIRPath 3.0, which HL7's R4 test suite has as well.
func boundaryFunctions(name string) (function, bool) {
	switch name {
	case "lowBoundary", "highBoundary":
		return function{0, 1, func(args []code) code { return collected(boundary(args, name == "highBoundary")) }}, true
	case "precision":
		return none(precisionOf)
	case "comparable":
		return function{1, 1, comparableUnits}, true
	}
	return function{}, false
}

func boundary(args []code, high bool) evalFn {
	return func(e *Env, in []Value) ([]Value, error) {
		v, ok, err := single(in, "a boundary")
		if err != nil || !ok {
			return nil, err
		}
		digits := int64(-1)
		if len(args) == 1 {
			if digits, ok, err = integerArg(e, args[0], "the precision"); err != nil || !ok || digits < 0 {
				return nil, err
			}
		}
		s, ok := v.system()
		if !ok {
			return nil, nil
		}
		switch {
		case isNumber(s):
			d, ok := decimalBoundary(decimalOf(s), digits, high)
			if !ok {
				return nil, nil
			}
			return e.one(Decimal(d)), nil
		case s.kind == kindQuantity:
			if s.dec, ok = decimalBoundary(s.dec, digits, high); !ok {
				return nil, nil
			}
			return e.one(s), nil
		case isMoment(s):
			text, ok := momentBoundary(s, digits, high)
			if !ok {
				return nil, nil
			}
			return e.one(Value{kind: s.kind, text: text}), nil
		}
		return nil, fmt.Errorf("a %s has no boundary", v.TypeName())
	}
}

// decimalBoundary gives the least or greatest number that would be written as d, to
// the given decimals (8 when none are given).
func decimalBoundary(d *apd.Decimal, digits int64, high bool) (*apd.Decimal, bool) {
	if digits < 0 {
		digits = 8
	}
	if digits > 28 {
		return nil, false
	}
	ctx := calc()
	half := apd.New(5, min(d.Exponent, 0)-1)
	out := new(apd.Decimal)
	var err error
	if high {
		_, err = ctx.Add(out, d, half)
		ctx.Rounding = apd.RoundCeiling
	} else {
		_, err = ctx.Sub(out, d, half)
		ctx.Rounding = apd.RoundFloor
	}
	if err != nil {
		return nil, false
	}
	// A precision coarser than the number's rounds the number itself outwards.
	if int32(-digits) > min(d.Exponent, 0) {
		out.Set(d)
	}
	if _, err = ctx.Quantize(out, out, int32(-digits)); err != nil {
		return nil, false
	}
	return out, true
}

// momentBoundary fills what is not written with its least or greatest value; digits
// counts the digits of the result (4 a year, 17 a date and time with zone).
func momentBoundary(s Value, digits int64, high bool) (string, bool) {
	m, ok := parseMoment(s.kind, s.text)
	if !ok {
		return "", false
	}
	want := precisionFor(s.kind, digits)
	if want == 0 {
		return "", false
	}
	fill := m
	for p := m.precision + 1; p <= toMilli; p++ {
		fill = fill.fill(p, high)
	}
	fill.precision = want
	if fill.precision == toMilli {
		fill.fraction = 3
	}
	if !m.zoned && s.kind == kindDateTime && want > toDay {
		fill.zoned, fill.offset = true, 14*60
		if high {
			fill.offset = -12 * 60
		}
	}
	return fill.text(s.kind), true
}

func precisionFor(k kind, digits int64) precision {
	if k == kindTime {
		switch digits {
		case 2:
			return toHour
		case 4:
			return toMinute
		case 6:
			return toSecond
		case -1, 9:
			return toMilli
		}
		return 0
	}
	if digits < 0 {
		digits = 17
		if k == kindDate {
			digits = 8
		}
	}
	if k == kindDate && digits > 8 {
		return 0
	}
	return map[int64]precision{
		4: toYear, 6: toMonth, 8: toDay, 10: toHour, 12: toMinute, 14: toSecond, 17: toMilli,
	}[digits]
}

func (m moment) fill(p precision, high bool) moment {
	pick := func(low, top int) int {
		if high {
			return top
		}
		return low
	}
	switch p {
	case toMonth:
		m.month = pick(1, 12)
	case toDay:
		m.day = pick(1, daysIn(m.year, m.month))
	case toHour:
		m.hour = pick(0, 23)
	case toMinute:
		m.minute = pick(0, 59)
	case toSecond:
		m.second = pick(0, 59)
	case toMilli:
		m.nanos = pick(0, 999_000_000)
	case toYear:
	}
	return m
}

// precisionOf counts the decimals of a number, or the digits of a date or time.
func precisionOf(e *Env, in []Value) ([]Value, error) {
	v, ok, err := single(in, "precision")
	if err != nil || !ok {
		return nil, err
	}
	s, ok := v.system()
	switch {
	case ok && isNumber(s):
		return e.one(Integer(int64(max(-decimalOf(s).Exponent, 0)))), nil
	case ok && isMoment(s):
		m, _ := parseMoment(s.kind, s.text)
		m.zoned = false
		digits := strings.Map(func(r rune) rune {
			if r >= '0' && r <= '9' {
				return r
			}
			return -1
		}, m.text(s.kind))
		return e.one(Integer(int64(len(digits)))), nil
	}
	return nil, nil
}

// comparableUnits reports whether two quantities have units of one kind.
func comparableUnits(args []code) code {
	return logical(func(e *Env, in []Value) (Truth, error) {
		other, err := args[0].eval(e, e.this)
		if err != nil {
			return Unknown, err
		}
		a, okA, errA := single(in, "comparable")
		b, okB, errB := single(other, "comparable")
		if errA != nil || errB != nil || !okA || !okB {
			return Unknown, errA
		}
		x, okX := a.system()
		y, okY := b.system()
		if !okX || !okY || x.kind != kindQuantity || y.kind != kindQuantity {
			return Unknown, nil
		}
		_, known := compareQuantities(x, y)
		return truthOf(known), nil
	})
}
