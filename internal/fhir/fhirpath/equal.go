package fhirpath

import (
	"fmt"
	"strings"

	"github.com/cockroachdb/apd/v3"

	"fhirsvc/internal/fhir/tree"
)

// equalCollections is "=": empty when a side is, else item by item in order.
func equalCollections(e *Env, l, r []Value) Truth {
	if len(l) == 0 || len(r) == 0 {
		return Unknown
	}
	if len(l) != len(r) {
		return False
	}
	out := True
	for i := range l {
		switch equalValues(e, l[i], r[i]) {
		case False:
			return False
		case Unknown:
			out = Unknown
		case True:
		}
	}
	return out
}

// equalValues is "=" of two items.
func equalValues(e *Env, a, b Value) Truth {
	x, okX := a.system()
	y, okY := b.system()
	if okX && okY {
		return equalSystem(x, y)
	}
	if okX != okY || a.kind != kindElement || b.kind != kindElement {
		return False
	}
	return truthOf(sameElement(e, a, b))
}

func equalSystem(x, y Value) Truth {
	switch {
	case isNumber(x) && isNumber(y):
		return truthOf(compareNumbers(x, y) == 0)
	case isMoment(x) && isMoment(y):
		if (x.kind == kindTime) != (y.kind == kindTime) {
			return False
		}
		order, known := compareMoments(x, y)
		if !known {
			return Unknown
		}
		return truthOf(order == 0)
	case x.kind == kindQuantity || y.kind == kindQuantity:
		return equalQuantities(x, y)
	case isMoment(x) && y.kind == kindString || x.kind == kindString && isMoment(y):
		return truthOf(x.text == y.text)
	}
	return truthOf(x.kind == y.kind && x.text == y.text && x.number == y.number)
}

func equalQuantities(x, y Value) Truth {
	x, y = asQuantity(x), asQuantity(y)
	if x.kind != kindQuantity || y.kind != kindQuantity {
		return False
	}
	if mixesCalendar(x, y) {
		return Unknown
	}
	order, ok := compareQuantities(x, y)
	return truthOf(ok && order == 0)
}

// asQuantity lets a number stand for a quantity without unit.
func asQuantity(v Value) Value {
	if !isNumber(v) {
		return v
	}
	return Value{kind: kindQuantity, dec: decimalOf(v), text: "1"}
}

func isNumber(v Value) bool { return v.kind == kindInteger || v.kind == kindDecimal }

func isMoment(v Value) bool {
	return v.kind == kindDate || v.kind == kindDateTime || v.kind == kindTime
}

func decimalOf(v Value) *apd.Decimal {
	if v.kind == kindInteger {
		return apd.New(v.number, 0)
	}
	return v.dec
}

func compareNumbers(a, b Value) int {
	if a.kind == kindInteger && b.kind == kindInteger {
		switch {
		case a.number < b.number:
			return -1
		case a.number > b.number:
			return 1
		}
		return 0
	}
	return decimalOf(a).Cmp(decimalOf(b))
}

// elementMoment reads an element that is a date with or without a time; false when it
// is not one.
func (v Value) elementMoment() (moment, bool) {
	if v.kind != kindElement || !v.hasValue() {
		return moment{}, false
	}
	k := primitiveKind(v.member.Type.Name)
	if k != kindDate && k != kindDateTime {
		return moment{}, false
	}
	return parseMoment(k, v.node.Text)
}

func compareMoments(a, b Value) (int, bool) {
	m, okM := parseMoment(a.kind, a.text)
	n, okN := parseMoment(b.kind, b.text)
	if !okM || !okN {
		return 0, false
	}
	return m.compare(n)
}

// compare orders two items; known is false where precision leaves it open, err says
// that they cannot be ordered at all.
func compare(a, b Value) (order int, known bool, err error) {
	if m, ok := a.elementMoment(); ok {
		if n, ok := b.elementMoment(); ok {
			order, known = m.compare(n)
			return order, known, nil
		}
	}
	x, okX := a.system()
	y, okY := b.system()
	if !okX || !okY {
		if missing(a, okX) || missing(b, okY) {
			return 0, false, nil
		}
		return 0, false, fmt.Errorf("a %s cannot be ordered against a %s", a.TypeName(), b.TypeName())
	}
	switch {
	case isNumber(x) && isNumber(y):
		return compareNumbers(x, y), true, nil
	case x.kind == kindString && y.kind == kindString:
		return strings.Compare(x.text, y.text), true, nil
	case isMoment(x) && isMoment(y) && (x.kind == kindTime) == (y.kind == kindTime):
		order, known = compareMoments(x, y)
		return order, known, nil
	case x.kind == kindQuantity || y.kind == kindQuantity:
		x, y = asQuantity(x), asQuantity(y)
		if x.kind != kindQuantity || y.kind != kindQuantity {
			break
		}
		order, known = compareQuantities(x, y)
		return order, known, nil
	case isMoment(x) && y.kind == kindString, x.kind == kindString && isMoment(y):
		return compareTextMoment(x, y)
	}
	return 0, false, fmt.Errorf("a %s cannot be ordered against a %s", a.TypeName(), b.TypeName())
}

// missing reports whether an element has no value to order, only extensions, or is
// a Quantity that has none.
func missing(v Value, ok bool) bool {
	return !ok && v.kind == kindElement && (v.isPrimitive() || v.fhirType().Is("Quantity"))
}

func compareTextMoment(x, y Value) (int, bool, error) {
	if x.kind == kindString {
		x.kind = y.kind
	} else {
		y.kind = x.kind
	}
	order, known := compareMoments(x, y)
	return order, known, nil
}

// sameElement compares two complex elements by all that they hold, primitives by
// value; the order of members does not count.
func sameElement(e *Env, a, b Value) bool {
	if a.node == b.node && a.ext == b.ext {
		return true
	}
	if a.node == nil || b.node == nil || a.isPrimitive() || b.isPrimitive() {
		return a.node == nil && b.node == nil && sameJSON(a.ext, b.ext)
	}
	mark := len(e.arena)
	defer e.cut(mark)
	e.arena = appendAllChildren(e.Set, e.arena, a)
	mid := len(e.arena)
	e.arena = appendAllChildren(e.Set, e.arena, b)
	end := len(e.arena)
	if end-mid != mid-mark || a.node.Len() != b.node.Len() {
		return false
	}
	for i := range mid - mark {
		x := e.arena[mark+i]
		if !matchChild(e, x, mid, end) {
			return false
		}
	}
	return true
}

// matchChild finds an equal child of the same name within the arena's range.
func matchChild(e *Env, x Value, from, to int) bool {
	for i := from; i < to; i++ {
		y := e.arena[i]
		if x.member != nil && y.member != nil && x.member.Name == y.member.Name && equalValues(e, x, y) == True {
			return true
		}
	}
	return false
}

func sameJSON(a, b *tree.Node) bool {
	if a == nil || b == nil {
		return a == b
	}
	if a.Kind != b.Kind || a.Text != b.Text || a.Len() != b.Len() {
		return false
	}
	if a.Kind == tree.Object {
		for c := a.First(); c != nil; c = c.Next() {
			if !sameJSON(c, b.Get(c.Name)) {
				return false
			}
		}
		return true
	}
	for x, y := a.First(), b.First(); x != nil; x, y = x.Next(), y.Next() {
		if !sameJSON(x, y) {
			return false
		}
	}
	return true
}
