package fhir

import (
	"slices"
	"strings"

	"fhirsvc/internal/fhir/tree"
	"fhirsvc/internal/workflow"
)

// Site is one radial artery that was punctured. Ordinal counts the radial sites of the
// procedure from 1; Side is "" when it can't be read.
type Site struct {
	Ordinal int
	Side    workflow.Side
	Distal  bool
}

// route is what one body site says about the way in.
type route uint8

const (
	routeUnknown route = iota
	routeRadial
	routeOther // femoral: another site, that no plan is for
)

// siteRow says what one coding tells of a site.
type siteRow struct {
	system, code string
	route        route
	side         workflow.Side
	distal       bool
}

// siteRows is the table of codings that are read in a bodySite. The arteries are those
// of HL7's Vital Signs with Qualifying Elements
// (hl7.org/fhir/us/vitals/STU1/ValueSet-bpmeasbodylocationprecoord.html), the ways in
// those of DICOM PS3.16 CID 3746, left and right the qualifiers of SNOMED CT; 419161000
// and 419465000 are the R4 example value set's unilateral left and right
// (hl7.org/fhir/R4/valueset-bodystructure-relative-location.html). The dorsum of the hand
// stands for distal access, as IHE PCC mPSC names it.
func siteRows() []siteRow {
	return []siteRow{
		{SystemSNOMED, "368503001", routeRadial, workflow.Right, false},
		{SystemSNOMED, "368504007", routeRadial, workflow.Left, false},
		{SystemSNOMED, "45631007", routeRadial, "", false},
		{SystemSNOMED, "444850002", routeRadial, "", false}, // via radial artery
		{SystemSNOMED, "789219001", routeRadial, workflow.Right, true},
		{SystemSNOMED, "789218009", routeRadial, workflow.Left, true},
		{SystemLocal, string(CodeDistalRadialRight), routeRadial, workflow.Right, true},
		{SystemLocal, string(CodeDistalRadialLeft), routeRadial, workflow.Left, true},
		{SystemSNOMED, "24028007", routeUnknown, workflow.Right, false},
		{SystemSNOMED, "7771000", routeUnknown, workflow.Left, false},
		{SystemSNOMED, "419465000", routeUnknown, workflow.Right, false},
		{SystemSNOMED, "419161000", routeUnknown, workflow.Left, false},
		{SystemSNOMED, "260590008", routeOther, "", false}, // via femoral artery
		{SystemSNOMED, "7657000", routeOther, "", false},   // femoral artery
		{SystemSNOMED, "69833005", routeOther, "", false},  // right femoral artery
		{SystemSNOMED, "113270003", routeOther, "", false}, // left femoral artery
	}
}

// reading is what all codings of one body site tell together.
type reading struct {
	route  route
	right  bool
	left   bool
	distal bool
}

func (x *reading) take(c Coding) {
	for _, row := range siteRows() {
		if !c.Is(row.system, row.code) {
			continue
		}
		if row.route != routeUnknown {
			x.route = row.route
		}
		x.right = x.right || row.side == workflow.Right
		x.left = x.left || row.side == workflow.Left
		x.distal = x.distal || row.distal
	}
}

// side is "" when none is told, or both.
func (x *reading) side() workflow.Side {
	switch {
	case x.right && !x.left:
		return workflow.Right
	case x.left && !x.right:
		return workflow.Left
	}
	return ""
}

// readSite reads one bodySite: its own codings, codings in its extensions, and the
// BodyStructure that extension bodySite refers to
// (hl7.org/fhir/R4/extension-bodysite.html). find looks a reference up, nil if it is
// nowhere.
func readSite(n *tree.Node, find func(ref string) *tree.Node) reading {
	var x reading
	x.takeAll(n, find)
	return x
}

func (x *reading) takeAll(n *tree.Node, find func(ref string) *tree.Node) {
	switch {
	case n.Is(tree.Array):
		for c := range n.Items() {
			x.takeAll(c, find)
		}
	case n.Is(tree.Object):
		if n.Str("code") != "" {
			x.take(readCoding(n))
		}
		for c := range n.Members() {
			if c.Name == "valueReference" {
				x.takeStructure(find(c.Str("reference")), find)
				continue
			}
			x.takeAll(c, find)
		}
	}
}

// takeStructure reads a BodyStructure; it doesn't follow references out of it.
func (x *reading) takeStructure(n *tree.Node, find func(ref string) *tree.Node) {
	nowhere := func(string) *tree.Node { return nil }
	for _, element := range []string{"location", "locationQualifier"} {
		x.takeAll(n.Get(element), nowhere)
	}
}

// readSites reads the ways in of a Procedure: the radial sites in order, the same one
// once, and whether all that was told is another way in. With neither, there is one
// site that nobody could read.
func readSites(procedure *tree.Node, find func(ref string) *tree.Node) (sites []Site, other bool) {
	var told []reading
	for n := range procedure.Get("bodySite").Items() {
		told = append(told, readSite(n, find))
	}
	if len(told) == 0 {
		told = readMethods(procedure, find)
	}
	unread := len(told) == 0
	for _, x := range told {
		switch x.route {
		case routeRadial:
			sites = appendSite(sites, x)
		case routeOther:
			other = true
		case routeUnknown:
			unread = true
		}
	}
	switch {
	case len(sites) > 0:
		return sites, false
	case other && !unread:
		return nil, true
	}
	return []Site{{Ordinal: 1}}, false
}

func readMethods(procedure *tree.Node, find func(ref string) *tree.Node) []reading {
	var told []reading
	for n := range procedure.Get("extension").Items() {
		if n.Str("url") == ExtensionProcedureMethod {
			told = append(told, readSite(n.Get("valueCodeableConcept"), find))
		}
	}
	return told
}

func appendSite(sites []Site, x reading) []Site {
	s := Site{Ordinal: len(sites) + 1, Side: x.side(), Distal: x.distal}
	same := func(o Site) bool { return o.Side == s.Side && o.Distal == s.Distal }
	if slices.ContainsFunc(sites, same) {
		return sites
	}
	return append(sites, s)
}

// finder looks references up in a Bundle and among what a resource contains.
func finder(entries []bundleEntry, resource *tree.Node) func(ref string) *tree.Node {
	return func(ref string) *tree.Node {
		if id, ok := strings.CutPrefix(ref, "#"); ok {
			for n := range resource.Get("contained").Items() {
				if n.Str("id") == id {
					return n
				}
			}
			return nil
		}
		for i := range entries {
			if entries[i].named(ref) {
				return entries[i].resource
			}
		}
		return nil
	}
}
