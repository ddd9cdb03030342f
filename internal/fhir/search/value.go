package search

// Kind is the R4 type of a search parameter, http://hl7.org/fhir/ValueSet/search-param-type.
type Kind uint8

// The parameter kinds that are served.
const (
	Token Kind = iota + 1
	Reference
	Date
	String
	URI
	Quantity
	Composite // of values of other parameters; nothing is indexed under it
)

// String is the kind as R4 writes it.
func (k Kind) String() string {
	switch k {
	case Token:
		return "token"
	case Reference:
		return "reference"
	case Date:
		return "date"
	case String:
		return "string"
	case URI:
		return "uri"
	case Quantity:
		return "quantity"
	case Composite:
		return "composite"
	}
	return "unknown"
}

// Value is one entry of the index: what one resource is found by under one parameter.
//
//   - Token: System and Code ("" system when the resource has none); Text, folded, is what
//     it is called.
//   - Reference: System is the target's resource type, Code its id; Text, folded, what it is
//     called. A logical reference is indexed under Param + ":identifier" as a Token.
//   - Date: Lo and Hi, the first and the last instant of the value's precision, both
//     inclusive, as nanoseconds since 1970-01-01 UTC. An open end is math.MinInt64 or
//     math.MaxInt64.
//   - String: Text, folded (lower case, no diacritics); Code is the text as it stands.
//   - URI: Code.
//   - Quantity: Lo and Hi, the value in billionths, both inclusive; System and Code of its
//     unit, Text the unit as it is written. An open end and what lies beyond the range of
//     int64 are as of a Date.
type Value struct {
	Param  string
	Kind   Kind
	System string
	Code   string
	Text   string
	Lo, Hi int64
}
