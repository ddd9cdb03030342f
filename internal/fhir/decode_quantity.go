package fhir

import (
	"slices"
	"strings"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/tree"
	"fhirsvc/internal/workflow"
)

// amount reads a Quantity that must be an exact, non-negative number in one of the
// UCUM units, the first of which is named to the sender. It is nil when there is a
// fault. UCUM writes the litre l or L, so mL and ml are the same unit (ucum.org,
// table 5).
func (r *reader) amount(n *tree.Node, element string, units ...string) *workflow.Decimal {
	if n == nil {
		r.fault(outcome.CodeRequired, element, nil, "a quantity in %s is needed", units[0])
		return nil
	}
	before := len(r.issues)
	q := readQuantity(n)
	r.unit(n, q, element, units)
	if q.Comparator != "" {
		r.fault(outcome.CodeValue, element+".comparator", n.Get("comparator"), "an exact amount is needed, not a bound")
	}
	if q.Value == "" {
		r.fault(outcome.CodeRequired, element+".value", n, "a number is needed")
		return nil
	}
	d, err := workflow.ParseDecimal(string(q.Value))
	switch {
	case err != nil:
		r.fault(outcome.CodeValue, element+".value", n.Get("value"), "this is not a finite decimal number")
	case d.Sign() < 0:
		r.fault(outcome.CodeValue, element+".value", n.Get("value"), "an amount can't be negative: it was not stored")
	}
	if len(r.issues) > before {
		return nil
	}
	return &d
}

func (r *reader) unit(n *tree.Node, q Quantity, element string, units []string) {
	switch {
	case q.Code == "":
		r.fault(outcome.CodeRequired, element+".code", n, "the unit is needed as a UCUM code: %s", strings.Join(units, " or "))
	case q.System != SystemUCUM:
		r.fault(outcome.CodeValue, element+".system", n.Get("system"), "the unit must be of %s", SystemUCUM)
	case !slices.Contains(units, q.Code):
		r.fault(outcome.CodeValue, element+".code", n.Get("code"), "the unit must be %s", strings.Join(units, " or "))
	}
}
