package fhir

import (
	"fmt"
	"strconv"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/tree"
	"fhirsvc/internal/workflow"
)

// useContext is one thing that a protocol may say of the episodes that it is for.
type useContext struct {
	system, code string
	many         bool
	read         func(r *protocolReader, at string, n *tree.Node)
}

func useContexts() []useContext {
	return []useContext{
		{SystemUsageContextType, "focus", false, (*protocolReader).kind},
		{SystemUsageContextType, "venue", false, (*protocolReader).venue},
		{SystemUsageContextType, "age", false, (*protocolReader).ages},
		{SystemLocal, string(CodeAccessSide), false, (*protocolReader).accessSide},
		{SystemLocal, string(CodeAccessRoute), false, (*protocolReader).accessRoute},
		{SystemLocal, string(CodeGivenDrug), true, (*protocolReader).givenDrug},
	}
}

// contexts reads useContext. One that is not understood is a fault: the protocol would
// apply too widely.
func (r *protocolReader) contexts() {
	given := map[Coding]int{}
	i := -1
	for n := range r.root.Get("useContext").Items() {
		i++
		at := fmt.Sprintf("useContext[%d]", i)
		code := Coding{System: n.Get("code").Str("system"), Code: n.Get("code").Str("code")}
		known := false
		for _, x := range useContexts() {
			if !code.Is(x.system, x.code) {
				continue
			}
			known = true
			if given[code]++; given[code] == 2 && !x.many && x.code != "focus" {
				r.fault(outcome.CodeNotSupported, at, n, "the protocol says %s twice: it is for one, or for any", x.code)
			}
			x.read(r, at, n)
		}
		if !known {
			r.fault(outcome.CodeNotSupported, at+".code", n.Get("code"), "the context must be focus, venue or age of %s, or %s, %s or %s of %s: no other is understood, so the protocol would apply too widely",
				SystemUsageContextType, CodeAccessSide, CodeAccessRoute, CodeGivenDrug, SystemLocal)
		}
	}
	if kinds := given[Coding{System: SystemUsageContextType, Code: "focus"}]; kinds != 1 {
		r.fault(outcome.CodeRequired, "useContext", r.root.Get("useContext"), "the protocol says once, as focus, for which kind of procedure it is; it says so %d times", kinds)
	}
}

func (r *protocolReader) kind(at string, n *tree.Node) {
	kind, ok := ReadKind(readConcept(n.Get("valueCodeableConcept")))
	if !ok {
		r.fault(outcome.CodeCodeInvalid, at+".value", n, "the focus must be %s or %s of %s, or a procedure that is one of them", CodeDiagnostic, CodeIntervention, SystemLocal)
		return
	}
	r.p.Applies.Kind = kind
}

func (r *protocolReader) venue(at string, n *tree.Node) {
	id := readIdentifier(n.Get("valueReference").Get("identifier"))
	if id.Value == "" {
		r.fault(outcome.CodeRequired, at+".value", n, "the venue must be a reference with the identifier of the unit")
		return
	}
	r.p.Applies.Unit = id.Token()
}

// ages reads a range of whole years, one of whose limits may be left out.
func (r *protocolReader) ages(at string, n *tree.Node) {
	limits := n.Get("valueRange")
	low, lowOK := wholeAge(limits.Get("low"))
	high, highOK := wholeAge(limits.Get("high"))
	if !lowOK || !highOK || low == nil && high == nil {
		r.fault(outcome.CodeValue, at+".value", n, "the age must be a range (valueRange) of whole years, with UCUM code %s", UnitYear)
		return
	}
	if low != nil && high != nil && *low > *high {
		r.fault(outcome.CodeValue, at+".value", n, "nobody is at least %d and at most %d years old", *low, *high)
		return
	}
	r.p.Applies.MinAge, r.p.Applies.MaxAge = low, high
}

// wholeAge reads one limit: nil when there is none, false when it can't be read.
func wholeAge(n *tree.Node) (*int, bool) {
	if n == nil {
		return nil, true
	}
	q := readQuantity(n)
	years, err := strconv.Atoi(string(q.Value))
	if err != nil || years < 0 || q.System != SystemUCUM || q.Code != UnitYear || q.Comparator != "" {
		return nil, false
	}
	return &years, true
}

// access gives the place where side and route are kept.
func (r *protocolReader) access() *workflow.Access {
	if r.p.Applies.Access == nil {
		r.p.Applies.Access = &workflow.Access{}
	}
	return r.p.Applies.Access
}

func (r *protocolReader) accessSide(at string, n *tree.Node) {
	x := readSite(n.Get("valueCodeableConcept"), finder(nil, r.root))
	if x.side() == "" || x.route == routeOther {
		r.fault(outcome.CodeCodeInvalid, at+".value", n, "the side must be right or left: SNOMED CT 24028007 or 7771000")
		return
	}
	r.access().Side = x.side()
}

func (r *protocolReader) accessRoute(at string, n *tree.Node) {
	value := readConcept(n.Get("valueCodeableConcept"))
	distal := CodeDistalRadial.In(value)
	if distal == CodeWristRadial.In(value) {
		r.fault(outcome.CodeCodeInvalid, at+".value", n, "the route must be %s or %s of %s", CodeWristRadial, CodeDistalRadial, SystemLocal)
		return
	}
	r.access().Distal = &distal
}

func (r *protocolReader) givenDrug(at string, n *tree.Node) {
	drug, ok := ReadDrug(readConcept(n.Get("valueCodeableConcept")))
	if !ok {
		r.fault(outcome.CodeCodeInvalid, at+".value", n, "the drug must be %s, %s or %s of %s, or an ATC code of one of them",
			CodeHeparin, CodeGlycoproteinInhibitor, CodeOtherAnticoagulant, SystemLocal)
		return
	}
	r.p.Applies.Drugs = withDrug(r.p.Applies.Drugs, drug)
}
