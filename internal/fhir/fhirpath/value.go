package fhirpath

import (
	"strconv"

	"github.com/cockroachdb/apd/v3"

	"fhirsvc/internal/fhir/definitions"
	"fhirsvc/internal/fhir/tree"
)

// kind tells an element of a resource from the System types of FHIRPath.
type kind uint8

const (
	kindNone kind = iota
	kindElement
	kindBoolean
	kindString
	kindInteger
	kindDecimal
	kindDate
	kindDateTime
	kindTime
	kindQuantity
	kindTypeInfo
)

// Value is one item of a collection: an element of a resource or a System value.
// The zero Value is nothing.
type Value struct {
	kind   kind
	member *definitions.Member // of an element: its type and shape; nil when unknown
	node   *tree.Node          // of an element: its JSON value, nil when only ext is there
	ext    *tree.Node          // of a primitive element: its "_name" companion
	text   string              // String, Date, DateTime, Time; unit of a Quantity; name of a TypeInfo
	number int64               // Integer; Boolean as 0 or 1; 1 on a Quantity of a calendar unit
	dec    *apd.Decimal        // Decimal, Quantity
}

// Element makes a Value of a JSON node whose place in the definitions is known. A
// primitive has its "_name" companion as ext; either may be nil, not both.
func Element(m *definitions.Member, node, ext *tree.Node) Value {
	return Value{kind: kindElement, member: m, node: node, ext: ext}
}

// Text makes a System.String.
func Text(s string) Value { return Value{kind: kindString, text: s} }

// Boolean makes a System.Boolean.
func Boolean(b bool) Value {
	v := Value{kind: kindBoolean}
	if b {
		v.number = 1
	}
	return v
}

// Integer makes a System.Integer.
func Integer(n int64) Value { return Value{kind: kindInteger, number: n} }

// Decimal makes a System.Decimal.
func Decimal(d *apd.Decimal) Value { return Value{kind: kindDecimal, dec: d} }

// Node gives the JSON value of an element, nil for System values and for elements
// that have an id or extensions only.
func (v Value) Node() *tree.Node { return v.node }

// Companion gives the "_name" member that belongs to a primitive element, nil when
// there is none.
func (v Value) Companion() *tree.Node { return v.ext }

// Member gives what the definitions say of an element, nil for System values and
// elements of no known type.
func (v Value) Member() *definitions.Member { return v.member }

// IsElement reports whether the value is an element of a resource.
func (v Value) IsElement() bool { return v.kind == kindElement }

// TypeName gives the name of the value's type: FHIR ("Quantity", "code") for an
// element, System ("String") otherwise; "" when it is unknown.
func (v Value) TypeName() string {
	if v.kind == kindElement {
		if t := v.fhirType(); t != nil {
			return t.Name
		}
		return ""
	}
	return systemName(v.kind)
}

// String gives the value as FHIRPath's toString() does; "" when it has no text.
func (v Value) String() string {
	s, ok := toText(v)
	if !ok {
		return ""
	}
	return s
}

func systemName(k kind) string {
	switch k {
	case kindBoolean:
		return "Boolean"
	case kindString:
		return "String"
	case kindInteger:
		return "Integer"
	case kindDecimal:
		return "Decimal"
	case kindDate:
		return "Date"
	case kindDateTime:
		return "DateTime"
	case kindTime:
		return "Time"
	case kindQuantity:
		return "Quantity"
	case kindTypeInfo:
		return "TypeInfo"
	case kindNone, kindElement:
	}
	return ""
}

func (v Value) fhirType() *definitions.Type {
	if v.member == nil {
		return nil
	}
	return v.member.Type
}

func (v Value) isPrimitive() bool {
	t := v.fhirType()
	return t != nil && t.Kind == definitions.Primitive
}

// hasValue reports whether a primitive element has a value, not only extensions.
func (v Value) hasValue() bool {
	if v.kind != kindElement {
		return v.kind != kindNone
	}
	return v.isPrimitive() && v.node != nil && v.node.Kind != tree.Null
}

// system turns an element into the System value that R4 lets it stand for
// (hl7.org/fhir/R4/fhirpath.html#types); false when it has none.
func (v Value) system() (Value, bool) {
	if v.kind != kindElement {
		return v, v.kind != kindNone
	}
	t := v.fhirType()
	if t == nil {
		return Value{}, false
	}
	if t.Kind != definitions.Primitive {
		if t.Is("Quantity") {
			return quantityOf(v.node)
		}
		return Value{}, false
	}
	if !v.hasValue() {
		return Value{}, false
	}
	return primitive(primitiveKind(t.Name), v.node.Text)
}

// primitiveKind gives the System type of a FHIR primitive.
func primitiveKind(name string) kind {
	switch name {
	case "boolean":
		return kindBoolean
	case "integer", "positiveInt", "unsignedInt":
		return kindInteger
	case "decimal":
		return kindDecimal
	case "date":
		return kindDate
	case "dateTime", "instant":
		return kindDateTime
	case "time":
		return kindTime
	}
	return kindString
}

// primitive reads the JSON text of a primitive; false when it is malformed.
func primitive(k kind, text string) (Value, bool) {
	switch k {
	case kindBoolean:
		return Boolean(text == "true"), text == "true" || text == "false"
	case kindInteger:
		n, err := strconv.ParseInt(text, 10, 64)
		return Integer(n), err == nil
	case kindDecimal:
		d, ok := parseDecimal(text)
		return Decimal(d), ok
	case kindDate, kindDateTime, kindTime:
		_, ok := parseMoment(k, text)
		return Value{kind: k, text: text}, ok
	case kindNone, kindElement, kindString, kindQuantity, kindTypeInfo:
	}
	return Text(text), true
}

// quantityOf reads a FHIR Quantity: the UCUM code is the unit, else the unit's name.
func quantityOf(n *tree.Node) (Value, bool) {
	value := n.Get("value")
	if value == nil || n.Get("comparator") != nil {
		return Value{}, false
	}
	d, ok := parseDecimal(value.Text)
	if !ok {
		return Value{}, false
	}
	unit := n.Str("code")
	if unit == "" {
		unit = n.Str("unit")
	}
	if unit == "" {
		unit = "1"
	}
	return Value{kind: kindQuantity, dec: d, text: unit}, true
}

func parseDecimal(text string) (*apd.Decimal, bool) {
	const longest = 100 // digits and exponent far beyond any measured value
	if len(text) > longest {
		return nil, false
	}
	d, _, err := apd.NewFromString(text)
	if err != nil || d.Form != apd.Finite || d.Exponent > 1000 || d.Exponent < -1000 {
		return nil, false
	}
	return d, true
}

// toText is toString(): false when the value has no text form.
func toText(v Value) (string, bool) {
	if v.kind == kindElement && v.isPrimitive() && v.hasValue() {
		return v.node.Text, true
	}
	s, ok := v.system()
	if !ok {
		return "", false
	}
	switch s.kind {
	case kindBoolean:
		return strconv.FormatBool(s.number == 1), true
	case kindInteger:
		return strconv.FormatInt(s.number, 10), true
	case kindDecimal:
		return decimalText(s.dec), true
	case kindQuantity:
		if s.number == 1 {
			return decimalText(s.dec) + " " + s.text, true
		}
		return decimalText(s.dec) + " '" + s.text + "'", true
	case kindString, kindDate, kindDateTime, kindTime:
		return s.text, true
	case kindTypeInfo, kindNone, kindElement:
	}
	return "", false
}

func decimalText(d *apd.Decimal) string { return d.Text('f') }
