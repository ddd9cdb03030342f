package events

import "fhirsvc/internal/fhir/outcome"

// verdict is what becomes of a message that was handled.
type verdict uint8

const (
	settled  verdict = iota + 1 // Ack: committed now or earlier
	putOff                      // NakWithDelay, without limit: the fault may pass
	ourFault                    // NakWithDelay, counted; the last try rejects
	refused                     // the sender's fault: store the reason, then Term
)

// verdictOn is the acknowledgement table. Kind is that of the handler's error, "" for
// none. A kind that is not in the table can only be a fault in the content.
func verdictOn(kind outcome.Code) verdict {
	switch kind { //nolint:exhaustive // all other kinds reject: that is the table's last row
	case "":
		return settled
	case outcome.CodeTransient, outcome.CodeLockError, outcome.CodeNoStore,
		outcome.CodeTimeout, outcome.CodeThrottled, outcome.CodeConflict:
		return putOff
	case outcome.CodeException:
		return ourFault
	default:
		return refused
	}
}
