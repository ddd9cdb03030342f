package search

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
)

// Term is one of the alternatives (joined by "or") of a Condition.
//
//   - Token: Code; System when SystemGiven (an empty System then means "without a
//     system"); an empty Code with SystemGiven means any code of the system.
//   - Reference: Code is the id, System the type ("" for any).
//   - Date: Prefix with the range Lo..Hi of the value asked for.
//   - String: Text, folded; matches values that start with it.
//   - URI: Code.
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
type Condition struct {
	Param   string
	Kind    Kind
	Any     []Term
	Not     bool
	Missing *bool
}

// Sort is the order of the matches: by the Lo of a Date parameter or by
// "_lastUpdated", without a Param by id alone; ties are broken by id. Of several
// values the one that comes first in the order counts (R4 search.html#sort).
// Resources without a value come last.
type Sort struct {
	Param      string
	Descending bool
}

// Cursor is a place between pages: beside the match with this sort key and id.
type Cursor struct {
	Key int64
	ID  string
}

// Query asks for the current versions of one resource type that fulfil all
// conditions. The conditions "_id" (Token) and "_lastUpdated" (Date) are answered
// from the resource itself, all others from its Values. Count is the page size, at
// least 1. The page is the first one, or what comes right After a place, or right Before
// one; of these two one is nil. Units, when not nil, limits the matches to these units and, as Shared says,
// to some of what belongs to no unit.
type Query struct {
	Type   string
	All    []Condition
	Sort   Sort
	Count  int
	After  *Cursor
	Before *Cursor
	Units  []string
	Shared
}

// Shared says which resources of no unit a query limited to Units gives, too: all when
// Open; those that a resource of type By, of one of the units, refers to by its Reference
// parameter Param; or, as the zero value, none.
type Shared struct {
	Open  bool
	By    string
	Param string
}
