package workflow

import "fmt"

// Limits of haematoma diameters in cm, EASY classification (Bertrand, Interventional
// Cardiology textbook): grade I to 5 cm, II to 10 cm, III above.
const (
	haematomaUrgent = "5"
	haematomaStat   = "10"
)

// worry folds a finding that does not move the plan by itself but may need a person.
func (v *view) worry(f *Finding) {
	if !f.Real() {
		return
	}
	cause := string(f.Code)
	switch f.Answer { //nolint:exhaustive // all others are to be told
	case Normal, Absent, Well:
		if f.Code != Pulse || f.Answer == Normal {
			if f.Code != Condition { // an unwell patient waits for an answer, not for a better moment
				v.clear(cause)
			}
			return
		}
	case Weak:
		return
	}
	v.withhold(cause, v.worryPriority(f), f.When(), worryText(f))
}

func (v *view) worryPriority(f *Finding) Priority {
	switch f.Code {
	case Condition, Hand:
		return Stat
	case Haematoma:
		switch {
		case f.Amount == nil:
			return Urgent
		case MustDecimal(haematomaStat).Less(*f.Amount):
			return Stat
		case MustDecimal(haematomaUrgent).Less(*f.Amount):
			return Urgent
		}
		return Routine
	case Pulse:
		return Urgent
	case Bleeding, Patency, AirVolume, AirRemoved, AirAdded, CompressionStart, Band, OtherFinding:
		return Routine
	}
	return Routine
}

func worryText(f *Finding) string {
	switch f.Code {
	case Haematoma:
		if f.Amount != nil {
			return fmt.Sprintf("haematoma of %s cm at the access site", f.Amount)
		}
		return "haematoma at the access site, not measured"
	case Hand:
		return "the hand is not normal: look at colour, warmth, refill, feeling and movement"
	case Pulse:
		return "the distal radial pulse is absent"
	case Condition:
		return fmt.Sprintf("the patient is unwell: %s", f.Answer)
	case Bleeding, Patency, AirVolume, AirRemoved, AirAdded, CompressionStart, Band, OtherFinding:
		return string(f.Code)
	}
	return string(f.Code)
}

// clear ends the withholding of a cause: a later finding is normal.
func (v *view) clear(cause string) {
	for i := range v.concerns {
		if v.concerns[i].cause == cause {
			v.concerns[i].cleared = true
		}
	}
}
