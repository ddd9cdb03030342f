package fhirpath

import (
	"strings"

	"github.com/cockroachdb/apd/v3"
)

// equivalentCollections is "~": order does not count, empty is equivalent to empty.
func equivalentCollections(e *Env, l, r []Value) bool {
	if len(l) != len(r) {
		return false
	}
	used := make([]bool, len(r))
	for _, x := range l {
		found := false
		for i, y := range r {
			if !used[i] && equivalentValues(e, x, y) {
				used[i], found = true, true
				break
			}
		}
		if !found {
			return false
		}
	}
	return true
}

func equivalentValues(e *Env, a, b Value) bool {
	x, okX := a.system()
	y, okY := b.system()
	if okX && okY {
		return equivalentSystem(x, y)
	}
	if okX != okY || a.kind != kindElement || b.kind != kindElement {
		return false
	}
	return equivalentElements(e, a, b)
}

func equivalentElements(e *Env, a, b Value) bool {
	mark := len(e.arena)
	defer e.cut(mark)
	e.arena = appendAllChildren(e.Set, e.arena, a)
	mid := len(e.arena)
	e.arena = appendAllChildren(e.Set, e.arena, b)
	end := len(e.arena)
	if end-mid != mid-mark {
		return false
	}
	used := make([]bool, end-mid)
	for i := mark; i < mid; i++ {
		x, found := e.arena[i], false
		for j := mid; j < end && !found; j++ {
			y := e.arena[j]
			if used[j-mid] || x.member == nil || y.member == nil || x.member.Name != y.member.Name {
				continue
			}
			if equivalentValues(e, x, y) {
				used[j-mid], found = true, true
			}
		}
		if !found {
			return false
		}
	}
	return true
}

func equivalentSystem(x, y Value) bool {
	switch {
	case isNumber(x) && isNumber(y):
		return equivalentNumbers(decimalOf(x), decimalOf(y))
	case isMoment(x) && isMoment(y):
		order, known := compareMoments(x, y)
		return known && order == 0 && (x.kind == kindTime) == (y.kind == kindTime)
	case x.kind == kindString && y.kind == kindString:
		return foldText(x.text) == foldText(y.text)
	case x.kind == kindQuantity || y.kind == kindQuantity:
		return equivalentQuantities(asQuantity(x), asQuantity(y))
	}
	return x.kind == y.kind && x.text == y.text && x.number == y.number
}

func equivalentQuantities(x, y Value) bool {
	if x.kind != kindQuantity || y.kind != kindQuantity {
		return false
	}
	a, unitA, okA := canonical(x)
	b, unitB, okB := canonical(y)
	if !okA || !okB {
		return x.text == y.text && equivalentNumbers(x.dec, y.dec)
	}
	if unitA != unitB {
		return false
	}
	digits := min(significant(x.dec), significant(y.dec))
	return roundTo(a, digits).Cmp(roundTo(b, digits)) == 0
}

// significant counts the digits in which a number was measured: trailing zeros of a
// whole number say nothing.
func significant(d *apd.Decimal) int64 {
	short, _ := new(apd.Decimal).Reduce(d)
	return short.NumDigits()
}

func roundTo(d *apd.Decimal, digits int64) *apd.Decimal {
	out := new(apd.Decimal)
	if _, err := apd.BaseContext.WithPrecision(uint32(max(digits, 1))).Round(out, d); err != nil {
		return d
	}
	return out
}

// equivalentNumbers rounds both to the decimals of the less precise one.
func equivalentNumbers(a, b *apd.Decimal) bool {
	x, _ := new(apd.Decimal).Reduce(a)
	y, _ := new(apd.Decimal).Reduce(b)
	exponent := min(max(x.Exponent, y.Exponent), 0)
	p, q := new(apd.Decimal), new(apd.Decimal)
	ctx := calc()
	if _, err := ctx.Quantize(p, a, exponent); err != nil {
		return a.Cmp(b) == 0
	}
	if _, err := ctx.Quantize(q, b, exponent); err != nil {
		return a.Cmp(b) == 0
	}
	return p.Cmp(q) == 0
}

func foldText(s string) string { return strings.ToLower(strings.Join(strings.Fields(s), " ")) }
