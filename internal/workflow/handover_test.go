package workflow_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/workflow"
)

// ordering gives an order at a time of the day.
func ordering(t *testing.T, b *bed, when time.Time, o workflow.Order) {
	t.Helper()
	o.ID, o.Given, o.Recorded, o.By, o.Reason = "o-"+string(o.Code), when, when, "Dr Lindqvist", "because"
	m, next := b.take(workflow.Charted{Stamp: workflow.Stamp{At: when, ID: "o"}, Orders: []workflow.Order{o}})
	require.NoError(t, m.err)
	*b = next
}

// TestHandoverVolumes: with how much air a bleed stopped, and how much was in the band at
// the test, are by the ledger of that time, not of now.
func TestHandoverVolumes(t *testing.T) {
	b := starterBed(t) // 15 mL
	enter(t, &b, at(10, 12), at(10, 12), b.well(0, workflow.AirVolume), b.well(1, workflow.Bleeding))
	enter(t, &b, at(10, 13), at(10, 13), b.finding(0, workflow.AirRemoved, "", decimal("3")))
	enter(t, &b, at(10, 14), at(10, 14), b.finding(0, workflow.Patency, workflow.Patent, nil))
	enter(t, &b, at(10, 15), at(10, 15), b.finding(0, workflow.Bleeding, workflow.Active, nil))
	enter(t, &b, at(10, 16), at(10, 16), b.finding(0, workflow.AirAdded, "", decimal("2")))
	enter(t, &b, at(10, 17), at(10, 17), b.finding(0, workflow.Bleeding, workflow.Haemostasis, nil))
	enter(t, &b, at(10, 50), at(10, 50), b.finding(0, workflow.AirRemoved, "", decimal("1")))
	h := b.e.Handover(at(10, 50))
	require.Equal(t, "12", h.Tested.String())
	require.Equal(t, at(10, 17), h.Held)
	require.Equal(t, "14", h.HeldWith.String())
	require.Equal(t, "13", b.e.Plan.Summary.Book.Volume.String())
	require.Nil(t, h.Haematoma)
	require.Empty(t, h.Orders)
}

// TestHandoverOrders: an order stands on the page as long as it is in force: a pause to its
// end, a volume for one step, a hold until it is resumed.
func TestHandoverOrders(t *testing.T) {
	codes := func(b bed, at time.Time) []workflow.OrderCode {
		var list []workflow.OrderCode
		for _, o := range b.e.Handover(at).Orders {
			list = append(list, o.Code)
		}
		return list
	}
	b := starterBed(t)
	enter(t, &b, at(10, 12), at(10, 12), b.well(0, workflow.AirVolume), b.well(1, workflow.Bleeding))
	ordering(t, &b, at(10, 13), workflow.Order{Code: workflow.OrderHold})
	ordering(t, &b, at(10, 14), workflow.Order{Code: workflow.OrderPauseRelease, Until: at(10, 40)})
	ordering(t, &b, at(10, 15), workflow.Order{Code: workflow.OrderOverrideVolume, Amount: decimal("1")})
	require.Equal(t, []workflow.OrderCode{workflow.OrderHold, workflow.OrderPauseRelease, workflow.OrderOverrideVolume}, codes(b, at(10, 39)))
	require.Equal(t, []workflow.OrderCode{workflow.OrderHold, workflow.OrderOverrideVolume}, codes(b, at(10, 40)))
	enter(t, &b, at(11, 15), at(11, 15), b.finding(0, workflow.AirRemoved, "", decimal("1")))
	require.Equal(t, []workflow.OrderCode{workflow.OrderHold}, codes(b, at(11, 15)))
	ordering(t, &b, at(11, 16), workflow.Order{Code: workflow.OrderResume})
	require.Empty(t, codes(b, at(11, 16)))
}

// TestHandoverNext: whose turn it is, by due time.
func TestHandoverNext(t *testing.T) {
	b := starterBed(t)
	next := b.e.Handover(at(10, 6)).Next
	require.Len(t, next, 3, "arrival, site, patency")
	for i, task := range next {
		require.True(t, task.Status.Turn(), task.Key)
		require.False(t, task.Due.Before(next[max(0, i-1)].Due), "by due time: %v", next)
	}
}

// TestHandoverWaits: what is late, was not done, was called for and not answered.
func TestHandoverWaits(t *testing.T) {
	b := starterBed(t)
	m, next := b.take(workflow.Elapsed{Stamp: workflow.Stamp{At: at(11, 0), ID: "e"}})
	require.NoError(t, m.err)
	b = next
	h := b.e.Handover(at(11, 0))
	require.NotEmpty(t, h.Late)
	require.NotEmpty(t, h.Calls)
	for _, task := range h.Next {
		require.NotContains(t, h.Late, task)
	}
	require.Equal(t, workflow.NurseInCharge, h.Calls[0].Level)
	missing := b.finding(0, workflow.Bleeding, "", nil)
	missing.Missing = workflow.NotPerformed
	enter(t, &b, at(11, 1), at(11, 1), missing, b.well(1, workflow.Hand))
	h = b.e.Handover(at(11, 1))
	require.NotEmpty(t, h.Missed)
	require.Equal(t, b.e.Figures().NotDone, len(h.Missed))
}
