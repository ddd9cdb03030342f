package workflow

import "time"

// orders are the orders in force.
type orders struct {
	hold      *Order
	pause     *Order
	time      *Order
	volume    *Order
	toEmpty   *Order
	stopped   *Order
	noBand    *Order
	lastOrder time.Time
}

func (v *view) order(o *Order) {
	at := earlier(o.Given, o.Recorded)
	v.orders.lastOrder = at
	switch o.Code {
	case OrderHold:
		v.orders.hold = o
	case OrderResume:
		v.orders.hold, v.orders.pause = nil, nil
	case OrderPauseRelease:
		v.orders.pause = o
	case OrderOverrideTime:
		v.orders.time = o
		v.clear(string(Anticoagulant)) // the prescriber's time is the answer
	case OrderOverrideVolume:
		v.orders.volume = o
	case OrderAdjustVolume:
		v.ledger.settle(EntryOrdered, at, *o.Amount, o.By, "adjusted: "+o.Reason)
		v.settled()
	case OrderContinueToEmpty:
		v.orders.toEmpty = o
	case OrderNoBandPlan:
		v.orders.noBand = o
		v.bandCameOff(at, o.By)
	case OrderStopPlan:
		v.orders.stopped = o
	}
}
