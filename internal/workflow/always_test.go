package workflow_test

import (
	"github.com/stretchr/testify/require"

	"fhirsvc/internal/workflow"
)

// checkAlways holds an episode against what must be true after every step.
func checkAlways(t testingT, e *workflow.Episode) {
	t.Helper()
	checkBook(t, e)
	checkOffers(t, e)
	checkSomebodysTurn(t, e)
	checkOnePerKind(t, e)
	checkAsks(t, e)
}

// checkBook: the ledger adds up to the book, exactly, and nothing is planned below 0 or
// above the maximum (design rule 1).
func checkBook(t testingT, e *workflow.Episode) {
	var sum workflow.Decimal
	for _, entry := range e.Ledger() {
		sum = sum.Add(entry.Delta)
	}
	book := e.Plan.Summary.Book
	if book.State == workflow.BookUnknown {
		return
	}
	require.Zero(t, sum.Cmp(book.Volume), "the ledger adds up to %s, the book says %s", sum, book.Volume)
	for _, task := range e.Tasks {
		if task.Status != workflow.TaskReady || task.Planned == nil || len(task.Outputs) > 0 {
			continue
		}
		require.Positive(t, task.Planned.Sign(), "%s plans %s mL", task.Key, task.Planned)
		if task.Key.Code == workflow.RestoreCompression {
			require.False(t, e.Protocol.DeviceMaximum.Less(book.Volume.Add(*task.Planned)), "%s goes above the maximum", task.Key)
		} else if book.State == workflow.BookKnown {
			require.False(t, book.Volume.Less(*task.Planned), "%s takes more than the book holds", task.Key)
		}
	}
}

// checkOffers: a release or removal is offered only with a known volume, and no release
// while the site bleeds (design rules 1, 2 and 3).
func checkOffers(t testingT, e *workflow.Episode) {
	sum := e.Plan.Summary
	toEmpty := false
	for _, o := range e.Orders {
		toEmpty = toEmpty || o.Code == workflow.OrderContinueToEmpty
	}
	for _, task := range e.Tasks {
		if task.Status != workflow.TaskReady || len(task.Outputs) > 0 {
			continue
		}
		switch task.Key.Code { //nolint:exhaustive // only the band's acts matter here
		case workflow.ReleaseStep:
			require.True(t, toEmpty || sum.Book.State == workflow.BookKnown, "a release is offered with the volume %s", sum.Book.State)
			require.Equal(t, workflow.Haemostasis, sum.LastAnswer, "a release is offered without a dry look")
			require.False(t, e.Last.Before(task.NotBefore), "a release is offered before its time")
		case workflow.BandRemoval:
			require.Equal(t, workflow.BookKnown, sum.Book.State)
			require.Zero(t, sum.Book.Volume.Sign(), "removal is offered with air in the band")
			require.Equal(t, workflow.Haemostasis, sum.LastAnswer)
		}
	}
}

// checkSomebodysTurn: while a band is on there is an open look at the site with a due
// time, and an act of the band that is open, or the reason why not (design rule 4).
func checkSomebodysTurn(t testingT, e *workflow.Episode) {
	sum := e.Plan.Summary
	if len(e.Events) == 0 || !sum.BandOn {
		return
	}
	var look, act bool
	for _, task := range e.Tasks {
		switch task.Key.Code { //nolint:exhaustive // only the band's acts matter here
		case workflow.SiteCheck:
			look = look || task.Status.Turn() && !task.Due.IsZero()
		case workflow.ReleaseStep, workflow.BandRemoval, workflow.RestoreCompression:
			act = act || !task.Status.Finished() && (!task.Due.IsZero() || len(task.Withheld) > 0)
		}
	}
	require.True(t, look, "nobody has to look at the site")
	if e.Plan.Status != workflow.PlanRevoked && e.Protocol != nil {
		require.True(t, act, "the band has no next act and no reason why")
	}
}

// checkOnePerKind: checks roll, they are not stacked.
func checkOnePerKind(t testingT, e *workflow.Episode) {
	open := map[string]int{}
	for _, task := range e.Tasks {
		if !task.Status.Finished() {
			open[string(task.Key.Code)+task.Key.Purpose]++
		}
	}
	for _, code := range []workflow.TaskCode{workflow.SiteCheck, workflow.PostRemovalCheck, workflow.SettleVolume, workflow.BandRemoval} {
		require.LessOrEqual(t, open[string(code)], 1, "%s is stacked", code)
	}
}

// testingT is what the checks need of *testing.T and *rapid.T.
type testingT interface {
	require.TestingT
	Helper()
}

// checkAsks: a Task asks for no finding that its kind is not said to ask for, since the
// forms by which it is charted are made of that.
func checkAsks(t testingT, e *workflow.Episode) {
	for _, task := range e.Tasks {
		require.Subset(t, task.Key.Code.Asks(), task.Required, "%s", task.Key)
	}
}
