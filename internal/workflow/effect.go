package workflow

import "time"

// Effect is an order of the core to its surroundings. The set is closed. All effects
// of a step are stored in one transaction with the state; nothing is sent before.
//
//sumtype:decl
type Effect interface{ effect() }

// PutTask creates or updates a Task; it holds the whole Task.
type PutTask struct{ Task Task }

// PutPlan creates or updates the plan; whether a reader needs a new version of it is the
// renderer's question.
type PutPlan struct{ Plan Plan }

// PutFlag raises or lowers a warning.
type PutFlag struct{ Flag Flag }

// PutIssue opens or settles a contradiction between findings.
type PutIssue struct{ Issue Issue }

// PutNotice says that somebody is to be told, or that they have answered.
type PutNotice struct{ Notice Notice }

// PutTimeline keeps the picture of a plan that has ended, and of one that runs again after
// it had; whether a reader needs a new version of it is the renderer's question.
type PutTimeline struct{ Timeline Timeline }

// WakeAt asks for an Elapsed at the instant; zero: none is needed. It replaces the one
// before.
type WakeAt struct{ At time.Time }

func (PutTask) effect()     {}
func (PutPlan) effect()     {}
func (PutFlag) effect()     {}
func (PutIssue) effect()    {}
func (PutNotice) effect()   {}
func (PutTimeline) effect() {}
func (WakeAt) effect()      {}

// Everything gives all that is to be stored of the episode, as if none of it were: whoever
// writes resources needs it when what they refer to has changed.
func (e *Episode) Everything() []Effect {
	var all []Effect
	for _, t := range e.Tasks {
		all = append(all, PutTask{t})
		all = append(all, t.notices(nil)...)
	}
	for _, is := range e.Issues {
		all = append(all, PutIssue{is})
	}
	for _, f := range e.Flags {
		all = append(all, PutFlag{f})
	}
	if len(e.Events) > 0 {
		all = append(all, PutPlan{e.Plan})
	}
	if e.Plan.Status.Ended() {
		all = append(all, PutTimeline{e.Timeline()})
	}
	return all
}

// IssueCode says what contradicts what.
type IssueCode string

// The contradictions.
const (
	IssueVolume  IssueCode = "volume-contradiction"    // a count, a syringe or an entry against the book
	IssueTwice   IssueCode = "charted-twice"           // two entries that may be one act
	IssueOpposed IssueCode = "bleeding-and-not-patent" // pressure and flow ask for opposite things
)

// Issue is a contradiction between findings. Code and Ordinal name it for ever.
type Issue struct {
	Code     IssueCode `json:",omitzero"`
	Ordinal  int       `json:",omitzero"`
	Text     string    `json:",omitzero"`
	Findings []string  `json:",omitzero"` // ids, in the order in which they were found
	Since    time.Time `json:",omitzero"` // when it was found
	Settled  time.Time `json:",omitzero"` // zero while it is open
	How      string    `json:",omitzero"` // what settled it
}

// Notice is one call to a person: who is to be told of which Task, since when, and
// when somebody answered. Task and Ordinal name it for ever.
type Notice struct {
	Task     TaskKey
	Ordinal  int // from 1, of the calls about this Task
	Level    Level
	Priority Priority
	Text     string
	At       time.Time
	Answered time.Time // zero while nobody has
	By       string    // who answered, "" when not told
}

// Plan is the whole of an episode, as far as a reader of the plan needs it.
type Plan struct {
	Status       PlanStatus `json:",omitzero"`
	StatusReason string     `json:",omitzero"`
	Start        time.Time  `json:",omitzero"` // start of compression, else of the procedure's end, else of the event
	Off          time.Time  `json:",omitzero"` // when the band came off, or is forecast to; zero: can't be told
	End          time.Time  `json:",omitzero"` // forecast end of the plan, or its end; zero: can't be told
	Tasks        []TaskKey  `json:",omitzero"` // in order of creation
	Summary      Summary    `json:",omitzero"`
}

// Summary is what a person wants to read first.
type Summary struct {
	Kind        ProcedureKind `json:",omitzero"`
	Side        Side          `json:",omitzero"`
	Distal      bool          `json:",omitzero"`
	Book        Book          `json:",omitzero"`
	BandOn      bool          `json:",omitzero"`
	Bleeds      int           `json:",omitzero"`
	LastBleed   time.Time     `json:",omitzero"`
	LastLook    time.Time     `json:",omitzero"`
	LastAnswer  Answer        `json:",omitzero"`
	LastPatency Answer        `json:",omitzero"`
	PatencyAt   time.Time     `json:",omitzero"`
	Next        *TaskKey      `json:",omitzero"`
	NextAt      time.Time     `json:",omitzero"`
	Withheld    []Withheld    `json:",omitzero"`
	// OffIfBleed is when the band would be off if the site bled once, at the next step; zero
	// while that can't be told. Each late step moves both forecasts by as much.
	OffIfBleed time.Time `json:",omitzero"`
	Figures    Figures   `json:",omitzero"`
	// What speaks for bleeding and what for occlusion: two lists, never one figure.
	BleedingRisk  []string `json:",omitzero"`
	OcclusionRisk []string `json:",omitzero"`
}

// FlagCode says what a flag warns of.
type FlagCode string

// The warnings.
const (
	FlagBleeding       FlagCode = "access-site-bleeding"
	FlagVolumeInDoubt  FlagCode = "band-volume-in-doubt"
	FlagNotPatent      FlagCode = "radial-artery-not-patent"
	FlagBandTime       FlagCode = "band-time-exceeded"
	FlagConfirmBedside FlagCode = "confirm-at-bedside"
	FlagHand           FlagCode = "hand-not-normal"
	FlagHaematoma      FlagCode = "access-site-haematoma"
	FlagUnwell         FlagCode = "patient-unwell"
)

// Flag is a warning that a screen should show while it is active.
type Flag struct {
	Code   FlagCode  `json:",omitzero"`
	Active bool      `json:",omitzero"`
	Start  time.Time `json:",omitzero"`
	End    time.Time `json:",omitzero"`
	Text   string    `json:",omitzero"`
}
