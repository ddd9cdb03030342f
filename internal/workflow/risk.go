package workflow

import "fmt"

// largeSheath is the size in French from which more arteries close (Leipzig 2012: 30.5
// against 13.7 % with 5 French; Khalid 2024 found no gradient).
const largeSheath = "6"

// bleedingRisk lists what is known of the patient and speaks for bleeding: slower, smaller
// steps. It is kept apart from occlusionRisk, since the two pull in opposite directions and
// only a person can weigh them; no rule reads either.
func (v *view) bleedingRisk() []string {
	var list []string
	if v.ev.INR != nil && v.p.HighINR.Less(*v.ev.INR) {
		list = append(list, fmt.Sprintf("INR %s (US teaching-hospital page: first release at 120 min above 2)", v.ev.INR))
	}
	for _, d := range v.given() {
		switch d {
		case GlycoproteinInhibitor:
			list = append(list, "glycoprotein inhibitor (PMID 26848534: compression 218 against 113 min)")
		case OtherAnticoagulant:
			list = append(list, "anticoagulant beside heparin (no published effect size)")
		case Heparin:
		}
	}
	if v.body.swelling != nil {
		list = append(list, "haematoma at the access site")
	}
	if v.site.bleeds > 0 {
		list = append(list, fmt.Sprintf("bleeds under the band: %d", v.site.bleeds))
	}
	return list
}

// occlusionRisk lists what speaks for an artery that closes: less pressure, shorter, more
// tests.
func (v *view) occlusionRisk() []string {
	var list []string
	if v.ev.Sheath != nil && !v.ev.Sheath.Less(MustDecimal(largeSheath)) {
		list = append(list, fmt.Sprintf("sheath of %s French (Leipzig 2012: 30.5 against 13.7 %% with 5; Khalid 2024: no gradient)", v.ev.Sheath))
	}
	if v.notPatent() {
		list = append(list, "no flow under the band at the last test (Sanmartin 2007)")
	}
	if !v.ledger.added.IsZero() {
		list = append(list, "air was put back (Lavi: tightening again was the only independent predictor)")
	}
	if v.body.pain != nil && !v.body.pain.Amount.Less(MustDecimal(painUrgent)) {
		list = append(list, "pain during compression (PROPHET-II 2016)")
	}
	return list
}
