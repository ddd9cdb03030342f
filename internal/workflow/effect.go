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
	Code     IssueCode
	Ordinal  int
	Text     string
	Findings []string  // ids, in the order in which they were found
	Since    time.Time // when it was found
	Settled  time.Time // zero while it is open
	How      string    // what settled it
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
	Status       PlanStatus
	StatusReason string
	Start        time.Time // start of compression, else of the procedure's end, else of the event
	Off          time.Time // when the band came off, or is forecast to; zero: can't be told
	End          time.Time // forecast end of the plan, or its end; zero: can't be told
	Tasks        []TaskKey // in order of creation
	Summary      Summary
}

// Summary is what a person wants to read first.
type Summary struct {
	Kind        ProcedureKind
	Side        Side
	Distal      bool
	Book        Book
	BandOn      bool
	Bleeds      int
	LastBleed   time.Time
	LastLook    time.Time
	LastAnswer  Answer
	LastPatency Answer
	PatencyAt   time.Time
	Next        *TaskKey
	NextAt      time.Time
	Withheld    []Withheld
	// OffIfBleed is when the band would be off if the site bled once, at the next step; zero
	// while that can't be told. Each late step moves both forecasts by as much.
	OffIfBleed time.Time
	Figures    Figures
	// What speaks for bleeding and what for occlusion: two lists, never one figure.
	BleedingRisk  []string
	OcclusionRisk []string
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
	Code   FlagCode
	Active bool
	Start  time.Time
	End    time.Time
	Text   string
}
