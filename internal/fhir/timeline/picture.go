package timeline

import "time"

// Picture is what is drawn. Volumes are in hundredths of a millilitre.
type Picture struct {
	ID    string   // of the plan: ids within the picture are made of it
	Title string   // one line
	Head  []string // lines below the title
	About string   // the text alternative: what the picture shows, in a few sentences
	// Caution stands at the foot.
	Caution string

	Zone     *time.Location // of the upper axis; the lower one is UTC
	From, To time.Time      // what the axis spans; To is after From
	Now      time.Time      // ends what has happened; zero when all of it has

	Top     int    // of the volume axis, above 0
	Maximum int    // drawn as a line of its own; 0 for none
	Air     []Air  // in order of time
	Ahead   []Air  // what is planned from Now on, in order; empty when it can't be told
	Lines   []Line // through all lanes
	Lanes   []Lane
	Legend  []Sign // of these, the ones that the picture has are explained
	// Items are what the picture shows in words, in order of time.
	Items     []Item
	ListTitle string
}

// State says how sure a volume is.
type State int

// The states of a volume.
const (
	Known     State = iota // a line and a filled area
	Uncertain              // a broken line on hatching
	Unknown                // dots, and no line
	None                   // there is no band
)

// Air is a volume from an instant to the next one.
type Air struct {
	At     time.Time
	State  State
	Volume int
	Label  string // as it is written, such as "12"
}

// Line is an instant that matters to all lanes.
type Line struct {
	At    time.Time
	Label string
	Bold  bool
}

// Lane is a row of marks and bars with a name. What would overlap gets a row of its own.
type Lane struct {
	Name  string
	Empty string // said where there is nothing
	Marks []Mark
	Bars  []Bar
}

// Mark is something at an instant.
type Mark struct {
	At    time.Time
	Shape Shape
	Label string // beside it, "" for none
}

// Bar is something that lasts.
type Bar struct {
	From, To time.Time
	Pattern  Pattern
	Label    string
}

// Sign is a line of the legend: a Shape, or else a Pattern.
type Sign struct {
	Shape   Shape
	Pattern Pattern
	Words   string
}

// Item is a line of the list.
type Item struct {
	At    time.Time
	Words string
}
