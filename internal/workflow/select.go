package workflow

import "fmt"

// Select chooses the protocol for an event. A protocol for the event's own unit goes
// before one for any unit. When none fits, or more than one does, the protocol is nil
// and the text says why: a person decides, never a silent default.
func Select(protocols []*Protocol, ev Event) (*Protocol, string) {
	if ev.Kind == "" {
		return nil, "the event does not say whether the procedure was diagnostic or an intervention"
	}
	if ev.Side == "" {
		return nil, "the event does not say which wrist was used"
	}
	var own, general []*Protocol
	for _, p := range protocols {
		switch {
		case p.Applies.Kind != ev.Kind:
		case p.Applies.Unit == "":
			general = append(general, p)
		case p.Applies.Unit == ev.Refs.Unit:
			own = append(own, p)
		}
	}
	fits := own
	if len(fits) == 0 {
		fits = general
	}
	switch len(fits) {
	case 0:
		return nil, fmt.Sprintf("no approved protocol fits: %s procedure", ev.Kind)
	case 1:
		return fits[0], ""
	}
	return nil, fmt.Sprintf("%d protocols fit a %s procedure: %s and %s", len(fits), ev.Kind, fits[0].Canonical(), fits[1].Canonical())
}
