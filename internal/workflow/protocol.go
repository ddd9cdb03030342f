package workflow

import "time"

// Protocol is a unit's approved way of taking a band off. It is data; the values are
// the site's. Volumes are in mL.
type Protocol struct {
	URL      string
	Version  string
	Title    string
	Draft    bool
	Endorser string // who approved it
	Approved string // date of approval, as written

	Applies Applicability

	InitialMin    Decimal // smallest usual start volume
	InitialMax    Decimal // largest start volume that the protocol plans for
	DeviceMaximum Decimal // never above, unless the device's own is lower

	FirstRelease        time.Duration // from the start of compression
	FirstReleaseHighINR time.Duration
	HighINR             Decimal       // above this the first release is at FirstReleaseHighINR
	AskPrescriber       []Drug        // with one of these a prescriber gives the time of the first release
	TitrationWindow     time.Duration // from the start of compression; zero: none is asked for
	TitrationAddBack    Decimal       // mL above the volume at which blood showed

	Step           Decimal
	StepParts      int // a step is this part of the start volume instead of Step; 0: it is Step
	Interval       time.Duration
	WatchAfterStep time.Duration // look at the site this long after a step
	WatchAtEmpty   time.Duration // dry this long with no air before removal

	AddBackMax     Decimal // at most this much back at once after bleeding
	HoldAfterBleed time.Duration
	HoldAfterOoze  time.Duration
	RestoreOnOoze  bool
	StepAfterBleed Decimal // for the next DrySteps dry steps
	DrySteps       int
	ReviewBleeds   int           // a clinician is asked at this many bleeds
	NotHeld        time.Duration // active bleeding this long after restoring calls at once
	LookAfterAdd   time.Duration

	Ease       Decimal
	EaseRetest time.Duration
	EaseTries  int

	SiteCheckFirst time.Duration // while the band is on, for the first SiteCheckCount looks
	SiteCheckCount int
	SiteCheckThen  time.Duration
	AfterRemoval   []time.Duration // looks after removal, from removal; then every AfterThen
	AfterThen      time.Duration

	PatencyArrival      time.Duration // first test, from the start of compression
	PatencyAfterRemoval time.Duration

	ArrivalDue  time.Duration
	RecordDue   time.Duration
	ReleaseDue  time.Duration // after the earliest time
	RemovalDue  time.Duration // after the watch at empty
	DressingDue time.Duration

	WarnBandTime  time.Duration
	AlertBandTime time.Duration // a clinician is asked
	MaxBandTime   time.Duration // the protocol's own limit for its forecast, also with one bleed
	ShortBandTime time.Duration // below this, a note

	UlnarCompression time.Duration // of the ulnar artery, from the start; zero: none
	Teaching         bool
	Advice           []string // what the patient is told, sentences

	ObserveAfterRemoval time.Duration
	EarliestDischarge   time.Duration // from the start of compression

	DueSoon    time.Duration // before due
	Visit      time.Duration // acts due within this are one visit
	TwinWithin time.Duration // like entries within this may be one act

	Grace    map[TaskCode]Grace
	Required map[TaskCode][]FindingCode
}

// Applicability says for which episodes a protocol is meant.
type Applicability struct {
	Kind   ProcedureKind
	Unit   string  // "" for any
	Access *Access // nil for any
	Drugs  []Drug  // only for patients who were given one of these; empty for all
	MinAge *int    // years, allowed; nil for none
	MaxAge *int
}

// Access is where the artery was entered; "" or nil for any.
type Access struct {
	Side   Side
	Distal *bool
}

// Grace is how long after its due time a Task is called overdue, the nurse in charge
// is called, and a clinician is asked. Zero Nurse or Clinician: never.
type Grace struct {
	Overdue   time.Duration
	Nurse     time.Duration
	Clinician time.Duration
}

// stepGrain is the fineness to which a part of a volume is rounded up: half the graduation
// of a syringe (common practice).
const stepGrain = "0.5"

// StepFrom is the size of a step for a band that started with the volume.
func (p *Protocol) StepFrom(volume Decimal) Decimal {
	if p.StepParts == 0 || volume.Sign() <= 0 {
		return p.Step
	}
	return volume.Part(int64(p.StepParts), MustDecimal(stepGrain))
}

// Canonical is url|version.
func (p *Protocol) Canonical() string { return p.URL + "|" + p.Version }
