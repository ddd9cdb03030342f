package simulation

import (
	"fmt"

	"fhirsvc/internal/workflow"
)

// broken names the first rule that a step has broken; "" if all hold. The rules are
// those that the core's own tests assert over random and over all episodes; they are
// written anew here, from their text, because what a test package asserts can't be
// imported, and a second reading is worth having.
func broken(in workflow.Input, before, after *workflow.Episode) string {
	rules := []func() string{
		func() string { return bookBroken(after) },
		func() string { return offerBroken(after) },
		func() string { return turnBroken(after) },
		func() string { return stackBroken(after) },
		func() string { return finishedBroken(before, after) },
		func() string { return pressureBroken(in, before, after) },
	}
	for _, rule := range rules {
		if fault := rule(); fault != "" {
			return fault
		}
	}
	return ""
}

// bookBroken: the ledger adds up to the book exactly, and nothing is planned below 0 mL or
// above the maximum.
func bookBroken(e *workflow.Episode) string {
	book := e.Plan.Summary.Book
	if book.State == workflow.BookUnknown {
		return ""
	}
	var sum workflow.Decimal
	for _, entry := range e.Ledger() {
		sum = sum.Add(entry.Delta)
	}
	if sum.Cmp(book.Volume) != 0 {
		return fmt.Sprintf("the ledger adds up to %s mL, the book says %s mL", sum, book.Volume)
	}
	for _, t := range e.Tasks {
		if t.Status != workflow.TaskReady || t.Planned == nil || len(t.Outputs) > 0 {
			continue
		}
		into := t.Key.Code == workflow.RestoreCompression
		switch {
		case t.Planned.Sign() <= 0:
			return fmt.Sprintf("%s plans %s mL", t.Key, t.Planned)
		case into && e.Protocol.DeviceMaximum.Less(book.Volume.Add(*t.Planned)):
			return fmt.Sprintf("%s goes above the device's maximum", t.Key)
		case !into && book.State == workflow.BookKnown && book.Volume.Less(*t.Planned):
			return fmt.Sprintf("%s takes more than the book holds", t.Key)
		}
	}
	return ""
}

// offerBroken: air is let out and a band taken off only with a known volume and after a
// dry look, no release before its time, no removal of a band with air in it.
func offerBroken(e *workflow.Episode) string {
	sum := e.Plan.Summary
	for _, t := range e.Tasks {
		release, removal := t.Key.Code == workflow.ReleaseStep, t.Key.Code == workflow.BandRemoval
		if t.Status != workflow.TaskReady || len(t.Outputs) > 0 || !release && !removal {
			continue
		}
		switch {
		case sum.Book.State != workflow.BookKnown:
			return fmt.Sprintf("%s is offered with the volume %s", t.Key, sum.Book.State)
		case sum.LastAnswer != workflow.Haemostasis:
			return fmt.Sprintf("%s is offered without a dry look", t.Key)
		case release && e.Last.Before(t.NotBefore):
			return fmt.Sprintf("%s is offered before its time", t.Key)
		case removal && sum.Book.Volume.Sign() != 0:
			return fmt.Sprintf("%s is offered with air in the band", t.Key)
		}
	}
	return ""
}

// turnBroken: while a band is on somebody has to look at the site at a stated time, and
// the band has a next act or a reason why not.
func turnBroken(e *workflow.Episode) string {
	if len(e.Events) == 0 || !e.Plan.Summary.BandOn {
		return ""
	}
	var look, act bool
	for _, t := range e.Tasks {
		switch t.Key.Code { //nolint:exhaustive // only these keep an episode going
		case workflow.SiteCheck:
			look = look || t.Status.Turn() && !t.Due.IsZero()
		case workflow.ReleaseStep, workflow.BandRemoval, workflow.RestoreCompression:
			act = act || !t.Status.Finished() && (!t.Due.IsZero() || len(t.Withheld) > 0)
		}
	}
	switch {
	case !look:
		return "nobody has to look at the site"
	case !act:
		return "the band has no next act and no reason why not"
	}
	return ""
}

// stackBroken: looks roll, they are not stacked.
func stackBroken(e *workflow.Episode) string {
	open := map[workflow.TaskCode]int{}
	for _, t := range e.Tasks {
		if !t.Status.Finished() {
			open[t.Key.Code]++
		}
	}
	for _, code := range []workflow.TaskCode{workflow.SiteCheck, workflow.PostRemovalCheck, workflow.SettleVolume, workflow.BandRemoval} {
		if open[code] > 1 {
			return fmt.Sprintf("%d open %s", open[code], code)
		}
	}
	return ""
}

// finishedBroken: a finished Task stays finished, with the end it had.
func finishedBroken(before, after *workflow.Episode) string {
	for _, old := range before.Tasks {
		if !old.Status.Finished() {
			continue
		}
		now := after.Task(old.Key)
		if now == nil || now.Status != old.Status || !now.End.Equal(old.End) || len(now.Outputs) != len(old.Outputs) {
			return fmt.Sprintf("%s was finished and has changed", old.Key)
		}
	}
	return ""
}

// pressureBroken: time alone completes nothing, enlarges no step and brings none forward.
func pressureBroken(in workflow.Input, before, after *workflow.Episode) string {
	if _, ok := in.(workflow.Elapsed); !ok {
		return ""
	}
	for _, old := range before.Tasks {
		now := after.Task(old.Key)
		step := old.Key.Code == workflow.ReleaseStep && !old.Status.Finished()
		switch {
		case now == nil:
			return fmt.Sprintf("%s is gone", old.Key)
		case old.Status != workflow.TaskCompleted && now.Status == workflow.TaskCompleted:
			return fmt.Sprintf("%s was completed by time alone", old.Key)
		case step && old.Planned != nil && now.Planned != nil && old.Planned.Less(*now.Planned):
			return fmt.Sprintf("%s was enlarged by time alone", old.Key)
		case step && now.NotBefore.Before(old.NotBefore):
			return fmt.Sprintf("%s was brought forward by time alone", old.Key)
		}
	}
	return ""
}
