package bedside

import (
	"fmt"

	"fhirsvc/internal/workflow"
)

// patient is how the invented patient's wrist really is, whatever is charted.
type patient struct {
	air        workflow.Decimal
	on         bool // the band
	bleeding   bool
	releases   int
	bleedAfter int // the release after which the site bleeds, 0 for none
}

// newPatient has air in the band and bleeds once, after the given release.
func newPatient(air string, bleedAfter int) *patient {
	p := &patient{on: true, bleedAfter: bleedAfter}
	if air != "" {
		p.air = workflow.MustDecimal(air)
	}
	return p
}

// release lets air out: what was planned, or what is there.
func (p *patient) release(planned string) (ml string) {
	d := p.air
	if planned != "" {
		d = workflow.Least(d, workflow.MustDecimal(planned))
	}
	p.air = p.air.Sub(d)
	p.releases++
	p.bleeding = p.bleeding || p.releases == p.bleedAfter
	return d.String()
}

// restore puts air back, which stops a bleed.
func (p *patient) restore(planned string) (ml string) {
	d := workflow.MustDecimal("3")
	if planned != "" {
		d = workflow.MustDecimal(planned)
	}
	p.air = p.air.Add(d)
	p.bleeding = false
	return d.String()
}

// isAct reports whether a code is an act with air, not a look.
func isAct(code string) bool { return code == "band-air-removed" || code == "band-air-added" }

// act does with the syringe what a code says.
func (p *patient) act(code, planned string) (f Finding, words string) {
	f.Code = code
	if code == "band-air-added" {
		f.Amount = p.restore(planned)
		return f, f.Amount + " mL back in"
	}
	f.Amount = p.release(planned)
	return f, f.Amount + " mL out"
}

// look is what the nurse would find of a code, in the words of Finding. Acts with air
// are not looks.
func (p *patient) look(code string) (f Finding, words string) {
	f.Code = code
	switch code {
	case "access-site-bleeding":
		f.Answer, words = "haemostasis", "dry"
		if p.bleeding {
			f.Answer, words = "bleeding", "BLEEDING"
		}
	case "radial-patency-test":
		f.Answer, words = "patent", "radial artery open"
	case "access-site-haematoma":
		f.Answer, words = "absent", "no haematoma"
	case "hand-check":
		f.Answer, words = "normal", "hand normal"
	case pulse:
		f.Answer, words = "normal", "pulse normal"
	case "general-condition":
		f.Answer, words = "well", "patient well"
	case "band-state":
		f.Answer, words = "on", "band on"
		if !p.on {
			f.Answer, words = "off", "band off"
		}
	case "band-air-volume":
		f.Amount, words = p.air.String(), fmt.Sprintf("%s mL in the band", p.air)
	default:
		f.Missing, words = "not-performed", code+" not done"
	}
	return f, words
}
