package fhir

import "fhirsvc/internal/workflow"

// Site is what the codings of a body site tell. The zero value tells nothing.
type Site struct {
	Side    workflow.Side // "" when no side is told
	Both    bool          // right and left are both told: no side can be read
	Radial  bool          // the radial artery is named, at whichever level
	Distal  bool          // in or beyond the anatomical snuffbox
	Femoral bool
}

// ReadSite reads a bodySite, or a procedure's method (approach). A side may stand in
// the artery's own code, in a laterality qualifier beside it, or in a code of the arm.
// Codes that aren't known tell nothing.
func ReadSite(c CodeableConcept) Site {
	var s Site
	var right, left bool
	for _, x := range c.Coding {
		row, ok := readSiteCoding(x)
		if !ok {
			continue
		}
		right = right || row.Side == workflow.Right
		left = left || row.Side == workflow.Left
		s.Radial = s.Radial || row.Radial
		s.Distal = s.Distal || row.Distal
		s.Femoral = s.Femoral || row.Femoral
	}
	switch {
	case right && left:
		s.Both = true
	case right:
		s.Side = workflow.Right
	case left:
		s.Side = workflow.Left
	}
	return s
}

func readSiteCoding(c Coding) (Site, bool) {
	for _, row := range sites() {
		if c.Is(row.system, row.code) {
			return row.Site, true
		}
	}
	return Site{}, false
}

type siteRow struct {
	system, code string
	Site
}

func sites() []siteRow {
	right, left := workflow.Right, workflow.Left
	return []siteRow{
		{SystemSNOMED, "45631007", Site{Radial: true}}, // Structure of radial artery
		{SystemSNOMED, "368503001", Site{Radial: true, Side: right}},
		{SystemSNOMED, "368504007", Site{Radial: true, Side: left}},
		{SystemSNOMED, "444850002", Site{Radial: true}}, // Via radial artery
		{SystemLocal, string(CodeDistalRadialRight), Site{Radial: true, Distal: true, Side: right}},
		{SystemLocal, string(CodeDistalRadialLeft), Site{Radial: true, Distal: true, Side: left}},
		{SystemSNOMED, "789219001", Site{Side: right}}, // Structure of dorsum of right hand
		{SystemSNOMED, "789218009", Site{Side: left}},
		{SystemSNOMED, "9736006", Site{Side: right}}, // Structure of right wrist region
		{SystemSNOMED, "5951000", Site{Side: left}},
		{SystemSNOMED, "64262003", Site{Side: right}}, // Structure of right forearm
		{SystemSNOMED, "66480008", Site{Side: left}},
		{SystemSNOMED, "368455003", Site{Side: right}}, // Entire right hand
		{SystemSNOMED, "368456002", Site{Side: left}},
		{SystemSNOMED, "24028007", Site{Side: right}}, // Right (qualifier value)
		{SystemSNOMED, "7771000", Site{Side: left}},
		{SystemSNOMED, "419465000", Site{Side: right}}, // Unilateral right
		{SystemSNOMED, "419161000", Site{Side: left}},
		{SystemSNOMED, "260590008", Site{Femoral: true}}, // Via femoral artery
		{SystemSNOMED, "7657000", Site{Femoral: true}},   // Structure of femoral artery
		{SystemSNOMED, "69833005", Site{Femoral: true, Side: right}},
		{SystemSNOMED, "113270003", Site{Femoral: true, Side: left}},
	}
}

// AccessSite writes the radial artery with its side.
func (t Terminology) AccessSite(side workflow.Side, distal bool) CodeableConcept {
	var c CodeableConcept
	switch {
	case distal && side == workflow.Right:
		c.Coding = append(c.Coding, CodeDistalRadialRight.Coding())
	case distal && side == workflow.Left:
		c.Coding = append(c.Coding, CodeDistalRadialLeft.Coding())
	}
	c.Coding = append(c.Coding, t.artery(side))
	c.Text = SiteWords(side, distal)
	return c
}

func (t Terminology) artery(side workflow.Side) Coding {
	whole := sct("45631007", "Structure of radial artery (body structure)").Coding
	if !t.FullSNOMED {
		return whole
	}
	switch side {
	case workflow.Right:
		return sctLicensed("368503001", "Structure of right radial artery (body structure)").Coding
	case workflow.Left:
		return sctLicensed("368504007", "Structure of left radial artery (body structure)").Coding
	}
	return whole
}

// SiteWords says an access site in words, such as "right wrist (radial artery)".
func SiteWords(side workflow.Side, distal bool) string {
	artery := "radial artery"
	if distal {
		artery = "distal radial artery"
	}
	if side == "" {
		return "wrist, side not told (" + artery + ")"
	}
	return string(side) + " wrist (" + artery + ")"
}
