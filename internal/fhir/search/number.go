package search

import (
	"math"
	"math/big"
	"strings"

	"github.com/cockroachdb/apd/v3"
)

// decimals says exact a Quantity is told: to nine decimals, up to
// some nine billions of a unit.
const decimals = 9

// billionths gives the whole billionths of a decimal, rounded down and up; what lies
// beyond int64 becomes the nearest end. ok is false for what is no number.
func billionths(text string) (lo, hi int64, ok bool) {
	d, _, err := apd.NewFromString(text)
	if err != nil || d.Form != apd.Finite {
		return 0, 0, false
	}
	n := d.Coeff.MathBigInt()
	if d.Negative {
		n.Neg(n)
	}
	shift := int64(d.Exponent) + decimals
	switch magnitude := d.NumDigits() + shift; {
	case n.Sign() == 0:
		return 0, 0, true
	case magnitude > 20: // beyond int64, however it is written
		return ended(n), ended(n), true
	case magnitude < 0: // less than a billionth
		return min(int64(n.Sign()), 0), max(int64(n.Sign()), 0), true
	}
	up := new(big.Int).Set(n)
	power := new(big.Int).Exp(big.NewInt(10), big.NewInt(max(shift, -shift)), nil)
	if shift >= 0 {
		n.Mul(n, power)
		return clamped(n), clamped(n), true
	}
	var rest big.Int
	n.DivMod(n, power, &rest) // rounded towards what is less, as the power is positive
	up.Set(n)
	if rest.Sign() != 0 {
		up.Add(up, big.NewInt(1))
	}
	return clamped(n), clamped(up), true
}

func clamped(n *big.Int) int64 {
	if n.IsInt64() {
		return n.Int64()
	}
	return ended(n)
}

// ended is the end of int64 on a number's side.
func ended(n *big.Int) int64 {
	if n.Sign() < 0 {
		return math.MinInt64
	}
	return math.MaxInt64
}

// precision gives half of the last place that a number is written to, in billionths:
// R4 search.html#number takes "100" for anything from 99.5 up to 100.5. It is 0 beyond
// eight decimals.
func precision(text string) int64 {
	_, fraction, _ := strings.Cut(text, ".")
	half := int64(500_000_000)
	for range len(fraction) {
		half /= 10
	}
	return half
}

// isPlainNumber reports whether a number is written without an exponent: R4 does not say
// in a way that adds up how exact one with an exponent is.
func isPlainNumber(text string) bool {
	digits := strings.TrimPrefix(text, "-")
	whole, fraction, pointed := strings.Cut(digits, ".")
	return isDigits(whole) && (!pointed || isDigits(fraction)) && len(digits) <= 40
}

func isDigits(text string) bool { return text != "" && strings.Trim(text, "0123456789") == "" }

// within adds without leaving int64.
func within(a, b int64) int64 {
	sum := new(big.Int).Add(big.NewInt(a), big.NewInt(b))
	return clamped(sum)
}
