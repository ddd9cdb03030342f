package bench

import (
	"fmt"
	"strings"
)

// Goal is a bound on a figure: the floor must be met, the goal is aimed at.
type Goal struct {
	What        string
	atLeast     bool // else below
	floor, goal float64
	got         float64
}

// AtLeast is a goal for a figure that should be high.
func AtLeast(what string, floor, goal, got float64) Goal {
	return Goal{What: what, atLeast: true, floor: floor, goal: goal, got: got}
}

// Below is a goal for a figure that should be low.
func Below(what string, floor, goal, got float64) Goal {
	return Goal{What: what, floor: floor, goal: goal, got: got}
}

// Met reports whether the figure is on the right side of the floor.
func (g Goal) Met() bool { return g.within(g.floor) }

func (g Goal) within(bound float64) bool {
	if g.atLeast {
		return g.got >= bound
	}
	return g.got < bound
}

func (g Goal) verdict() string {
	switch {
	case g.within(g.goal):
		return "met"
	case g.Met():
		return "floor met, goal not"
	default:
		return "**not met**"
	}
}

// GoalTable gives a row for each goal, met or not.
func GoalTable(goals []Goal) string {
	var w strings.Builder
	fmt.Fprintln(&w, "| | floor | goal | measured | |")
	fmt.Fprintln(&w, "|---|---|---|---|---|")
	for _, g := range goals {
		side := "<"
		if g.atLeast {
			side = "≥"
		}
		fmt.Fprintf(&w, "| %s | %s %g | %s %g | %s | %s |\n", g.What, side, g.floor, side, g.goal, short(g.got), g.verdict())
	}
	return w.String()
}

// short gives a number with a decimal where it has few digits before it.
func short(x float64) string {
	if x < 100 {
		return fmt.Sprintf("%.1f", x)
	}
	return fmt.Sprintf("%.0f", x)
}
