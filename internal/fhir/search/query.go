package search

import "slices"

// Prefix is a comparison of a date parameter, R4 search.html#prefix.
type Prefix string

// The date prefixes served, R4 spelling.
const (
	PrefixEqual        Prefix = "eq"
	PrefixNotEqual     Prefix = "ne"
	PrefixGreater      Prefix = "gt"
	PrefixLess         Prefix = "lt"
	PrefixGreaterEqual Prefix = "ge"
	PrefixLessEqual    Prefix = "le"
	PrefixStartsAfter  Prefix = "sa"
	PrefixEndsBefore   Prefix = "eb"
	PrefixApproximate  Prefix = "ap"
)

// Match is how the texts of a Condition are compared, R4 search.html#modifiers.
type Match uint8

// The ways of comparing.
const (
	Plain    Match = iota // as the kind does: a String starts with it
	Exact                 // a String is it, case and accents included
	Contains              // a String has it anywhere
	Called                // what a Token or Reference is called starts with it (:text)
)

// Term is one of the alternatives (joined by "or") of a Condition.
//
//   - Token: Code; System when SystemGiven (an empty System then means "without a
//     system"); an empty Code with SystemGiven means any code of the system.
//   - Reference: Code is the id, System the type ("" for any).
//   - Date: Prefix with the range Lo..Hi of the value asked for.
//   - String: Text, folded; Code is the text as it stands, for Exact.
//   - URI: Code.
//   - Quantity: Prefix with the range Lo..Hi in billionths; the unit by Code and, when
//     SystemGiven, System; without SystemGiven Code may also be the unit as written. An
//     empty Code means any unit.
type Term struct {
	System      string
	SystemGiven bool
	Code        string
	Text        string
	Prefix      Prefix
	Lo, Hi      int64
}

// Condition is one parameter of a query: any of its Terms must match. Not turns it
// round (no value of the resource matches any term). With Missing set, Any is empty
// and the condition asks whether the resource has no value (true) or some (false).
//
// With Join set the condition is about another resource, and with Either it holds when all
// conditions of one of the lists do; of the other fields both use Param alone, as the name
// that was asked for.
type Condition struct {
	Param   string
	Kind    Kind
	Any     []Term
	Match   Match
	Not     bool
	Missing *bool
	Join    *Join
	Either  [][]Condition
}

// Join asks for another resource of Type that fulfils all conditions: one that is referred
// to by the parameter Param (R4 search.html#chaining), or with Reverse one that refers by its
// parameter Param (search.html#has). Units and Shared limit which others count, as they do
// for a Query.
type Join struct {
	Type    string
	Param   string
	Reverse bool
	All     []Condition
	Units   []string
	Shared
}

// Sort is a key of the order of the matches: "_lastUpdated", "_id" or a parameter; a Date
// and a Quantity by Lo, a String by Text, a Token, Reference or URI by Code. Of several
// values the one that comes first in the order counts (R4 search.html#sort). Resources
// without a value come last.
type Sort struct {
	Param      string
	Kind       Kind
	Descending bool
}

// IsText reports whether the key is a text, compared byte by byte, and not a number.
func (s Sort) IsText() bool { return s.Kind != Date && s.Kind != Quantity }

// Key is what a match is sorted by under one Sort: Text or Number, or nothing.
type Key struct {
	None   bool   `json:"x,omitempty"`
	Number int64  `json:"n,string,omitempty"`
	Text   string `json:"t,omitempty"`
}

// Cursor is a place between pages: beside the match with these keys, one for each Sort, and
// this id.
type Cursor struct {
	Keys []Key
	ID   string
}

// Query asks for the current versions of one resource type that fulfil all
// conditions. The conditions "_id" (Token) and "_lastUpdated" (Date) are answered
// from the resource itself, all others from its Values. Matches stand in the order of Sort,
// and equal ones in order of id. Count is the page size, at least 1; NoTotal spares counting
// the matches. The page is the first one, or what comes right After a place, or right Before
// one; of these two one is nil. Units, when not nil, limits the matches to these units and,
// as Shared says, to some of what belongs to no unit.
type Query struct {
	Type    string
	All     []Condition
	Sort    []Sort
	Count   int
	NoTotal bool
	After   *Cursor
	Before  *Cursor
	Units   []string
	Shared
}

// Joined gives the other types that a query asks about, each once, in order.
func (q Query) Joined() []string {
	var out []string
	Each(q.All, func(c Condition) {
		if c.Join != nil {
			out = append(out, c.Join.Type)
		}
	})
	slices.Sort(out)
	return slices.Compact(out)
}

// Each calls do for every condition, and for those inside of it.
func Each(all []Condition, do func(Condition)) {
	for _, c := range all {
		do(c)
		if c.Join != nil {
			Each(c.Join.All, do)
		}
		for _, list := range c.Either {
			Each(list, do)
		}
	}
}

// Shared says which resources of no unit a query limited to Units gives, too: all when
// Open; those that a resource of type By, of one of the units, refers to by its Reference
// parameter Param; or, as the zero value, none.
type Shared struct {
	Open  bool
	By    string
	Param string
}
