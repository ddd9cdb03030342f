package workflow

import (
	"fmt"
	"slices"
	"strings"
)

// Select chooses the protocol for an event. A protocol for the event's own unit goes
// before one for any unit. When none fits, or more than one does, or a fitting one asks
// for what the event does not tell, the protocol is nil and the text says why: a person
// decides, never a silent default.
func Select(protocols []*Protocol, ev Event) (*Protocol, string) {
	if ev.Kind == "" {
		return nil, "the event does not say whether the procedure was diagnostic or an intervention"
	}
	if ev.Side == "" {
		return nil, "the event does not say which wrist was used"
	}
	var own, general []*Protocol
	var missing []string
	for _, p := range protocols {
		fits, untold := p.Applies.fit(ev)
		switch {
		case untold != "":
			missing = append(missing, fmt.Sprintf("%s is for %s, which the event does not tell", p.Canonical(), untold))
		case !fits:
		case p.Applies.Unit == "":
			general = append(general, p)
		default:
			own = append(own, p)
		}
	}
	fits := own
	if len(fits) == 0 {
		fits = general
	}
	switch {
	case len(missing) > 0:
		return nil, strings.Join(missing, "; ")
	case len(fits) == 0:
		return nil, fmt.Sprintf("no approved protocol fits: %s procedure", ev.Kind)
	case len(fits) == 1:
		return fits[0], ""
	}
	return nil, fmt.Sprintf("%d protocols fit a %s procedure: %s and %s", len(fits), ev.Kind, fits[0].Canonical(), fits[1].Canonical())
}

// fit reports whether the protocol is meant for the event; untold names what it asks
// for and the event lacks, when all else fits.
func (a *Applicability) fit(ev Event) (fits bool, untold string) {
	switch {
	case a.Kind != ev.Kind, a.Unit != "" && a.Unit != ev.Refs.Unit:
		return false, ""
	case a.Access != nil && (a.Access.Side != "" && a.Access.Side != ev.Side || a.Access.Distal != nil && *a.Access.Distal != ev.Distal):
		return false, ""
	case len(a.Drugs) > 0 && !slices.ContainsFunc(a.Drugs, func(d Drug) bool { return slices.Contains(ev.Drugs, d) }):
		return false, ""
	case a.MinAge == nil && a.MaxAge == nil:
		return true, ""
	case ev.Age == nil:
		return false, "an age"
	}
	return (a.MinAge == nil || *a.MinAge <= *ev.Age) && (a.MaxAge == nil || *ev.Age <= *a.MaxAge), ""
}
