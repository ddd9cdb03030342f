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

// WakeAt asks for an Elapsed at the instant; zero: none is needed. It replaces the one
// before.
type WakeAt struct{ At time.Time }

func (PutTask) effect() {}
func (PutPlan) effect() {}
func (PutFlag) effect() {}
func (WakeAt) effect()  {}

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
)

// Flag is a warning that a screen should show while it is active.
type Flag struct {
	Code   FlagCode
	Active bool
	Start  time.Time
	End    time.Time
	Text   string
}
