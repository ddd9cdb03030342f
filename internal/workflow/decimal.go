package workflow

import (
	"fmt"

	"github.com/cockroachdb/apd/v3"
)

// Decimal is an exact decimal number that keeps its written precision, as R4 asks of
// decimal (hl7.org/fhir/R4/datatypes.html#decimal). The zero value is 0. Volumes are
// in mL throughout.
type Decimal struct{ d apd.Decimal }

// ParseDecimal reads a finite decimal such as "1.30".
func ParseDecimal(s string) (Decimal, error) {
	d, _, err := apd.NewFromString(s)
	if err != nil || d.Form != apd.Finite {
		return Decimal{}, fmt.Errorf("decimal %q: not a finite number", s)
	}
	return Decimal{*d}, nil
}

// MustDecimal is ParseDecimal for constants; it panics on anything else.
func MustDecimal(s string) Decimal {
	d, err := ParseDecimal(s)
	if err != nil {
		panic(err)
	}
	return d
}

// String gives the number in plain notation with its written precision.
func (d Decimal) String() string { return d.d.Text('f') }

// Add returns d + x, exactly and without trailing zeros: a sum has no written precision.
func (d Decimal) Add(x Decimal) Decimal {
	var r Decimal
	exact(apd.BaseContext.Add(&r.d, &d.d, &x.d))
	r.d.Reduce(&r.d)
	return r
}

// Sub returns d - x, exactly and without trailing zeros.
func (d Decimal) Sub(x Decimal) Decimal {
	var r Decimal
	exact(apd.BaseContext.Sub(&r.d, &d.d, &x.d))
	r.d.Reduce(&r.d)
	return r
}

// Twice returns 2d, exactly.
func (d Decimal) Twice() Decimal { return d.Add(d) }

// Times returns n x d, exactly.
func (d Decimal) Times(n int64) Decimal {
	var r Decimal
	exact(apd.BaseContext.Mul(&r.d, &d.d, apd.New(n, 0)))
	r.d.Reduce(&r.d)
	return r
}

// Part returns the n-th part of d, rounded up to a whole grain.
func (d Decimal) Part(n int64, grain Decimal) Decimal {
	c := apd.BaseContext.WithPrecision(uint32(2*(d.d.NumDigits()+grain.d.NumDigits()) + 20)) //nolint:gosec // a count of digits
	whole, rest := new(apd.Decimal), new(apd.Decimal)
	unit := grain.Times(n)
	exact(c.QuoInteger(whole, &d.d, &unit.d))
	exact(c.Rem(rest, &d.d, &unit.d))
	if rest.Sign() > 0 {
		exact(c.Add(whole, whole, apd.New(1, 0)))
	}
	var r Decimal
	exact(apd.BaseContext.Mul(&r.d, whole, &grain.d))
	r.d.Reduce(&r.d)
	return r
}

// Cmp is -1, 0 or +1 as d is less than, equal to or greater than x; 1.30 equals 1.3.
func (d Decimal) Cmp(x Decimal) int { return d.d.Cmp(&x.d) }

// Less reports d < x.
func (d Decimal) Less(x Decimal) bool { return d.Cmp(x) < 0 }

// Sign is -1, 0 or +1.
func (d Decimal) Sign() int { return d.d.Sign() }

// MarshalText writes the number as String does.
func (d Decimal) MarshalText() ([]byte, error) { return []byte(d.String()), nil }

// UnmarshalText reads what MarshalText wrote.
func (d *Decimal) UnmarshalText(b []byte) error {
	x, err := ParseDecimal(string(b))
	if err != nil {
		return err
	}
	*d = x
	return nil
}

// Least returns the smaller of a and b.
func Least(a, b Decimal) Decimal {
	if b.Less(a) {
		return b
	}
	return a
}

// exact panics on a condition that exact addition of finite decimals can't have.
func exact(_ apd.Condition, err error) {
	if err != nil {
		panic(err)
	}
}
