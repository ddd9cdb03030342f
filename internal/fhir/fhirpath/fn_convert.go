package fhirpath

import (
	"fmt"
	"regexp"
	"strconv"
	"strings"

	"github.com/cockroachdb/apd/v3"
)

// conversions holds section 5.5: toX() and convertsToX().
func conversions(name string) (function, bool) {
	target, asks := strings.CutPrefix(name, "convertsTo")
	if !asks {
		var ok bool
		if target, ok = strings.CutPrefix(name, "to"); !ok {
			return function{}, false
		}
	}
	convert, ok := converter(target)
	if !ok {
		return function{}, false
	}
	if target == "Quantity" {
		return function{0, 1, func([]code) code { return conversion(name, asks, convert) }}, true
	}
	return function{0, 0, func([]code) code { return conversion(name, asks, convert) }}, true
}

func conversion(name string, asks bool, convert func(Value) (Value, bool)) code {
	return collected(func(e *Env, in []Value) ([]Value, error) {
		v, ok, err := single(in, name)
		if err != nil || !ok {
			return nil, err
		}
		out := Value{}
		if s, isSystem := v.system(); isSystem {
			out, ok = convert(s)
		} else {
			ok = false
		}
		if asks {
			return e.one(Boolean(ok)), nil
		}
		if !ok {
			return nil, nil
		}
		return e.one(out), nil
	})
}

func converter(target string) (func(Value) (Value, bool), bool) {
	switch target {
	case "String":
		return func(v Value) (Value, bool) {
			s, ok := toText(v)
			return Text(s), ok
		}, true
	case "Boolean":
		return toBoolean, true
	case "Integer":
		return toInteger, true
	case "Decimal":
		return toDecimal, true
	case "Date":
		return toMoment(kindDate), true
	case "DateTime":
		return toMoment(kindDateTime), true
	case "Time":
		return toMoment(kindTime), true
	case "Quantity":
		return toQuantity, true
	}
	return nil, false
}

func toBoolean(v Value) (Value, bool) {
	switch v.kind {
	case kindBoolean:
		return v, true
	case kindInteger:
		return Boolean(v.number == 1), v.number == 0 || v.number == 1
	case kindDecimal:
		one := v.dec.Cmp(apd.New(1, 0)) == 0
		return Boolean(one), one || v.dec.IsZero()
	case kindString:
		switch strings.ToLower(v.text) {
		case "true", "t", "yes", "y", "1", "1.0":
			return Boolean(true), true
		case "false", "f", "no", "n", "0", "0.0":
			return Boolean(false), true
		}
	case kindNone, kindElement, kindDate, kindDateTime, kindTime, kindQuantity, kindTypeInfo:
	}
	return Value{}, false
}

func toInteger(v Value) (Value, bool) {
	switch v.kind {
	case kindInteger:
		return v, true
	case kindBoolean:
		return Integer(v.number), true
	case kindString:
		n, err := strconv.ParseInt(v.text, 10, 64)
		return Integer(n), err == nil
	case kindNone, kindElement, kindDecimal, kindDate, kindDateTime, kindTime, kindQuantity, kindTypeInfo:
	}
	return Value{}, false
}

func toDecimal(v Value) (Value, bool) {
	switch v.kind {
	case kindDecimal:
		return v, true
	case kindInteger, kindBoolean:
		return Decimal(apd.New(v.number, 0)), true
	case kindString:
		if strings.Trim(v.text, "+-.0123456789") != "" {
			return Value{}, false
		}
		d, ok := parseDecimal(v.text)
		return Decimal(d), ok
	case kindNone, kindElement, kindDate, kindDateTime, kindTime, kindQuantity, kindTypeInfo:
	}
	return Value{}, false
}

func toMoment(k kind) func(Value) (Value, bool) {
	return func(v Value) (Value, bool) {
		switch {
		case v.kind == k:
			return v, true
		case v.kind == kindString:
			_, ok := parseMoment(k, v.text)
			return Value{kind: k, text: v.text}, ok
		case v.kind == kindDate && k == kindDateTime:
			return Value{kind: k, text: v.text}, true
		case v.kind == kindDateTime && k == kindDate:
			date, _, _ := strings.Cut(v.text, "T")
			return Value{kind: k, text: date}, true
		}
		return Value{}, false
	}
}

// quantityText is the text form of a quantity (hl7.org/fhirpath/N1 section 5.5.8).
const quantityText = `^([+-]?\d+(?:\.\d+)?)\s*(?:'([^']+)'|([a-zA-Z]+))?$`

func toQuantity(v Value) (Value, bool) {
	switch v.kind {
	case kindQuantity:
		return v, true
	case kindInteger, kindDecimal:
		return asQuantity(v), true
	case kindBoolean:
		return asQuantity(Integer(v.number)), true
	case kindString:
		m := regexp.MustCompile(quantityText).FindStringSubmatch(v.text)
		if m == nil || m[3] != "" && calendarUnit(m[3]) == "" {
			return Value{}, false
		}
		d, ok := parseDecimal(m[1])
		out := Value{kind: kindQuantity, dec: d, text: "1"}
		if m[2] != "" {
			out.text = m[2]
		}
		if m[3] != "" {
			out.text, out.number = m[3], 1
		}
		return out, ok
	case kindNone, kindElement, kindDate, kindDateTime, kindTime, kindTypeInfo:
	}
	return Value{}, false
}

// mathFunctions holds section 5.7.
func mathFunctions(name string) (function, bool) {
	switch name {
	case "abs", "ceiling", "floor", "truncate", "exp", "ln", "sqrt":
		return function{0, 0, func([]code) code { return onNumber(name, nil) }}, true
	case "round":
		return function{0, 1, func(args []code) code { return onNumber(name, args) }}, true
	case "log", "power":
		return function{1, 1, func(args []code) code { return onNumber(name, args) }}, true
	}
	return function{}, false
}

func onNumber(name string, args []code) code {
	return collected(func(e *Env, in []Value) ([]Value, error) {
		v, ok, err := single(in, name)
		if err != nil || !ok {
			return nil, err
		}
		s, ok := v.system()
		if !ok && missing(v, ok) {
			return nil, nil
		}
		if !ok || !isNumber(s) && (s.kind != kindQuantity || name != "abs") {
			return nil, fmt.Errorf("%s expects a number, not a %s", name, v.TypeName())
		}
		var arg *Value
		for _, a := range args {
			out, err := a.eval(e, e.this)
			if err != nil {
				return nil, err
			}
			x, ok, err := single(out, name)
			if err != nil || !ok {
				return nil, err
			}
			n, ok := x.system()
			if !ok || !isNumber(n) {
				return nil, fmt.Errorf("%s expects a number as its argument", name)
			}
			arg = &n
		}
		out, ok, err := calculate(name, s, arg)
		if err != nil || !ok {
			return nil, err
		}
		return e.one(out), nil
	})
}

// calculate gives one mathematical function; false where it has no result.
func calculate(name string, s Value, arg *Value) (Value, bool, error) {
	if name == "abs" && s.kind == kindQuantity {
		s.dec = new(apd.Decimal).Abs(s.dec)
		return s, true, nil
	}
	x, out, ctx := decimalOf(s), new(apd.Decimal), calc()
	var err error
	switch name {
	case "abs":
		out.Abs(x)
	case "ceiling":
		_, err = ctx.Ceil(out, x)
	case "floor":
		_, err = ctx.Floor(out, x)
	case "truncate":
		_, err = ctx.QuoInteger(out, x, apd.New(1, 0))
	case "exp":
		_, err = ctx.Exp(out, x)
	case "ln", "sqrt":
		return root(name, x)
	case "round":
		return round(x, arg)
	case "log":
		return logarithm(x, decimalOf(*arg))
	case "power":
		return power(s, *arg)
	}
	if err != nil {
		return Value{}, false, err
	}
	if name == "exp" || name == "abs" && s.kind == kindDecimal {
		return Decimal(out), true, nil
	}
	n, err := out.Int64()
	return Integer(n), err == nil, err
}

func root(name string, x *apd.Decimal) (Value, bool, error) {
	if x.Negative || name == "ln" && x.IsZero() {
		return Value{}, false, nil
	}
	out := new(apd.Decimal)
	var err error
	if name == "ln" {
		_, err = calc().Ln(out, x)
	} else {
		_, err = calc().Sqrt(out, x)
	}
	return Decimal(out), err == nil, err
}

func round(x *apd.Decimal, digits *Value) (Value, bool, error) {
	places := int64(0)
	if digits != nil {
		places = digits.number
	}
	if places < 0 || places > 28 {
		return Value{}, false, fmt.Errorf("round expects 0 to 28 digits")
	}
	out := new(apd.Decimal)
	if _, err := calc().Quantize(out, x, int32(-places)); err != nil {
		return Value{}, false, err
	}
	return Decimal(out), true, nil
}

func logarithm(x, base *apd.Decimal) (Value, bool, error) {
	a, okA, err := root("ln", x)
	if err != nil || !okA {
		return Value{}, false, err
	}
	b, okB, err := root("ln", base)
	if err != nil || !okB || b.dec.IsZero() {
		return Value{}, false, err
	}
	out := new(apd.Decimal)
	if _, err := calc().Quo(out, a.dec, b.dec); err != nil {
		return Value{}, false, err
	}
	if _, err := apd.BaseContext.WithPrecision(28).Round(out, out); err != nil {
		return Value{}, false, err
	}
	return Decimal(out), true, nil
}

func power(s, arg Value) (Value, bool, error) {
	out := new(apd.Decimal)
	_, err := calc().Pow(out, decimalOf(s), decimalOf(arg))
	if err != nil || out.Form != apd.Finite {
		return Value{}, false, nil // no real result
	}
	if s.kind == kindInteger && arg.kind == kindInteger && arg.number >= 0 {
		n, err := out.Int64()
		return Integer(n), err == nil, err
	}
	return Decimal(out), true, nil
}
