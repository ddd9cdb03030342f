package fhirpath

import (
	"sort"
	"strconv"
	"strings"

	"github.com/cockroachdb/apd/v3"
)

// A quantity is compared in canonical units: a number and a product of base units.
// The table holds the UCUM units that occur in R4's definitions and at a bedside
// (unitsofmeasure.org, case sensitive codes); others are equal to themselves only.
// Special units such as Cel and [degF] have an offset and are such others; so is
// [Ch], which UCUM defines by the circumference and catheter makers by the diameter.

// atom is a unit: how many of the base units it is.
type atom struct {
	factor string
	base   string // product of base units such as "g.m-1"
	metric bool   // takes prefixes
}

func atomOf(code string) (atom, bool) {
	switch code {
	case "m", "s", "g", "K", "C", "cd", "rad", "mol":
		return atom{"1", code, true}, true
	case "min":
		return atom{"60", "s", false}, true
	case "h":
		return atom{"3600", "s", false}, true
	case "d":
		return atom{"86400", "s", false}, true
	case "wk":
		return atom{"604800", "s", false}, true
	case "mo":
		return atom{"2629800", "s", false}, true
	case "a":
		return atom{"31557600", "s", false}, true
	case "L", "l":
		return atom{"0.001", "m3", true}, true
	case "%":
		return atom{"0.01", "", false}, true
	case "[ppth]":
		return atom{"0.001", "", false}, true
	case "[ppm]":
		return atom{"0.000001", "", false}, true
	case "[in_i]":
		return atom{"0.0254", "m", false}, true
	case "[ft_i]":
		return atom{"0.3048", "m", false}, true
	case "[mi_i]":
		return atom{"1609.344", "m", false}, true
	case "[lb_av]":
		return atom{"453.59237", "g", false}, true
	case "[oz_av]":
		return atom{"28.349523125", "g", false}, true
	case "Pa":
		return atom{"1000", "g.m-1.s-2", true}, true
	case "bar":
		return atom{"100000000", "g.m-1.s-2", true}, true
	case "m[Hg]":
		return atom{"133322000", "g.m-1.s-2", true}, true
	case "m[H2O]":
		return atom{"9806650", "g.m-1.s-2", true}, true
	case "N":
		return atom{"1000", "g.m.s-2", true}, true
	case "J":
		return atom{"1000", "g.m2.s-2", true}, true
	case "W":
		return atom{"1000", "g.m2.s-3", true}, true
	case "Hz":
		return atom{"1", "s-1", true}, true
	case "t":
		return atom{"1000000", "g", true}, true
	}
	return atom{}, false
}

// prefixOf gives the power of ten of a metric prefix.
func prefixOf(p string) (exponent int32, ok bool) {
	switch p {
	case "G":
		return 9, true
	case "M":
		return 6, true
	case "k":
		return 3, true
	case "h":
		return 2, true
	case "da":
		return 1, true
	case "d":
		return -1, true
	case "c":
		return -2, true
	case "m":
		return -3, true
	case "u":
		return -6, true
	case "n":
		return -9, true
	case "p":
		return -12, true
	case "f":
		return -15, true
	}
	return 0, false
}

// canonical gives a quantity in base units, and these as text; false when the unit
// is not in the table.
func canonical(q Value) (*apd.Decimal, string, bool) {
	unit := q.text
	if q.number == 1 {
		if unit = ucumOfCalendar(unit); unit == "" {
			return nil, "", false
		}
	}
	factor, dims, ok := parseUnit(unit)
	if !ok {
		return nil, "", false
	}
	out := new(apd.Decimal)
	if _, err := calc().Mul(out, q.dec, factor); err != nil {
		return nil, "", false
	}
	return out, dims.text(), true
}

// ucumOfCalendar gives the UCUM unit of a calendar duration, years and months
// among them, which compare with one another but not with 'a' and 'mo'.
func ucumOfCalendar(word string) string {
	switch calendarUnit(word) {
	case "year":
		return "a"
	case "month":
		return "mo"
	case "week":
		return "wk"
	case "day":
		return "d"
	case "hour":
		return "h"
	case "minute":
		return "min"
	case "second":
		return "s"
	case "millisecond":
		return "ms"
	}
	return ""
}

// mixesCalendar reports a calendar year or month beside a definite one.
func mixesCalendar(x, y Value) bool {
	long := func(v Value) bool {
		u := calendarUnit(v.text)
		return v.number == 1 && (u == "year" || u == "month")
	}
	return x.number != y.number && (long(x) || long(y))
}

func compareQuantities(x, y Value) (int, bool) {
	if x.text == y.text && x.number == y.number {
		return x.dec.Cmp(y.dec), true
	}
	if mixesCalendar(x, y) {
		return 0, false
	}
	a, unitA, okA := canonical(x)
	b, unitB, okB := canonical(y)
	if !okA || !okB || unitA != unitB {
		return 0, false
	}
	return a.Cmp(b), true
}

// dimensions are the exponents of base units.
type dimensions map[string]int

func (d dimensions) text() string {
	var parts []string
	for base, n := range d {
		if n != 0 {
			parts = append(parts, base+strconv.Itoa(n))
		}
	}
	sort.Strings(parts)
	return strings.Join(parts, ".")
}

// parseUnit reads a UCUM expression of products and quotients, such as "mg/dL".
func parseUnit(unit string) (*apd.Decimal, dimensions, bool) {
	factor, dims := apd.New(1, 0), dimensions{}
	rest := unit
	divide := false
	if strings.HasPrefix(rest, "/") {
		divide, rest = true, rest[1:]
	}
	for {
		end := strings.IndexAny(rest, "./")
		term := rest
		if end >= 0 {
			term = rest[:end]
		}
		if !applyTerm(factor, dims, term, divide) {
			return nil, nil, false
		}
		if end < 0 {
			return factor, dims, true
		}
		divide, rest = rest[end] == '/', rest[end+1:]
	}
}

// applyTerm multiplies by one unit with its exponent, or divides.
func applyTerm(factor *apd.Decimal, dims dimensions, term string, divide bool) bool {
	term = withoutAnnotation(term)
	if term == "" || term == "1" {
		return true
	}
	i := len(term)
	for i > 0 && (isDigit(term[i-1]) || term[i-1] == '-' || term[i-1] == '+') {
		i--
	}
	if i == 0 {
		n, ok := parseDecimal(term)
		return ok && multiply(factor, n, 1, divide)
	}
	power := 1
	if i < len(term) {
		n, err := strconv.Atoi(term[i:])
		if err != nil || n == 0 || n > 9 || n < -9 {
			return false
		}
		power = n
	}
	size, base, ok := unitSize(term[:i])
	if !ok || !multiply(factor, size, power, divide) {
		return false
	}
	if divide {
		power = -power
	}
	return addDimensions(dims, base, power)
}

func withoutAnnotation(s string) string {
	open := strings.IndexByte(s, '{')
	if open >= 0 && strings.HasSuffix(s, "}") {
		return s[:open]
	}
	return s
}

// unitSize reads a unit with an optional prefix.
func unitSize(code string) (*apd.Decimal, string, bool) {
	if a, ok := atomOf(code); ok {
		d, ok := parseDecimal(a.factor)
		return d, a.base, ok
	}
	for n := 1; n <= 2 && n < len(code); n++ {
		exponent, ok := prefixOf(code[:n])
		if !ok {
			continue
		}
		a, ok := atomOf(code[n:])
		if !ok || !a.metric {
			continue
		}
		d, ok := parseDecimal(a.factor)
		if !ok {
			return nil, "", false
		}
		d.Exponent += exponent
		return d, a.base, true
	}
	return nil, "", false
}

func multiply(factor, by *apd.Decimal, power int, divide bool) bool {
	if power < 0 {
		power, divide = -power, !divide
	}
	ctx := calc()
	for range power {
		var err error
		if divide {
			_, err = ctx.Quo(factor, factor, by)
		} else {
			_, err = ctx.Mul(factor, factor, by)
		}
		if err != nil {
			return false
		}
	}
	return true
}

func addDimensions(dims dimensions, base string, power int) bool {
	if base == "" {
		return true
	}
	for _, part := range strings.Split(base, ".") {
		i := strings.IndexAny(part, "-0123456789")
		n := 1
		if i > 0 {
			v, err := strconv.Atoi(part[i:])
			if err != nil {
				return false
			}
			n, part = v, part[:i]
		}
		dims[part] += n * power
	}
	return true
}

// quantities computes with two quantities: sums in the unit of the left one,
// products and quotients in base units.
func quantities(op string, x, y Value) (Value, bool, error) {
	if op == "+" || op == "-" {
		return sumQuantities(op, x, y)
	}
	if y.text == "1" || op == "*" && x.text == "1" {
		v, ok, err := decimals(op, x.dec, y.dec)
		unit := x.text
		if x.text == "1" {
			unit = y.text
		}
		return Value{kind: kindQuantity, dec: v.dec, text: unit}, ok, err
	}
	a, dimsA, okA := canonicalDims(x)
	b, dimsB, okB := canonicalDims(y)
	if !okA || !okB {
		return Value{}, false, nil
	}
	v, ok, err := decimals(op, a, b)
	if err != nil || !ok {
		return Value{}, false, err
	}
	for base, n := range dimsB {
		if op == "/" {
			n = -n
		}
		dimsA[base] += n
	}
	unit := dimsA.text()
	if unit == "" {
		unit = "1"
	}
	return Value{kind: kindQuantity, dec: v.dec, text: unit}, true, nil
}

func canonicalDims(q Value) (*apd.Decimal, dimensions, bool) {
	number, text, ok := canonical(q)
	if !ok {
		return nil, nil, false
	}
	dims := dimensions{}
	return number, dims, addDimensions(dims, text, 1)
}

func sumQuantities(op string, x, y Value) (Value, bool, error) {
	if mixesCalendar(x, y) {
		return Value{}, false, nil
	}
	b := y.dec
	if x.text != y.text {
		inBase, unitY, okY := canonical(y)
		one := x
		one.dec = apd.New(1, 0)
		size, unitX, okX := canonical(one)
		if !okX || !okY || unitX != unitY {
			return Value{}, false, nil
		}
		v, ok, err := decimals("/", inBase, size)
		if err != nil || !ok {
			return Value{}, false, err
		}
		b = v.dec
	}
	v, ok, err := decimals(op, x.dec, b)
	x.dec = v.dec
	return x, ok, err
}
