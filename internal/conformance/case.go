package conformance

// Case is one resource to be judged.
type Case struct {
	ID    string // unique, tells what was done: "Task/required/Task.intent"
	Class string // what kind of fault it has, a class of mutate, or one of those below
	Type  string // resource type
	Body  []byte // the resource's JSON as it is judged, not always well-formed

	Profiles []string // canonical URLs of profiles that it must fit, whatever it claims
	Invalid  bool     // of HL7's cases: the recorded verdict
}

// Classes that are not mutations.
const (
	Seed      = "seed"      // a valid resource that mutants are made from
	Published = "published" // an example of the published package, nearly all valid
	HL7       = "hl7"       // one of HL7's own cases, with a verdict that they recorded
	Stored    = "stored"    // what the service renders or has stored, must be valid
)

// Verdict is what one validator says of one case.
type Verdict struct {
	ID     string  `json:"id"`
	Issues []Issue `json:"issues"`
}

// Issue is one remark of a validator, in its own words.
type Issue struct {
	Severity string `json:"severity"`
	Location string `json:"location"` // as the validator writes it
	Code     string `json:"code"`     // the validator's own name of the rule, may be empty
	Message  string `json:"message"`
}

// Refused reports whether the resource was judged invalid.
func (v Verdict) Refused() bool { return v.FirstError() != nil }

// FirstError gives the first issue that makes the resource invalid, nil when none does.
func (v Verdict) FirstError() *Issue {
	for i := range v.Issues {
		if s := v.Issues[i].Severity; s == "error" || s == "fatal" {
			return &v.Issues[i]
		}
	}
	return nil
}
