package push

import (
	"net/http"
	"strconv"

	"fhirsvc/internal/fhir"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/store"
)

// verdict is what an answer means for what was sent.
type verdict uint8

const (
	taken     verdict = iota + 1
	away              // nobody's is taken now
	failed            // this one is not taken now
	contended         // somebody else wrote at the same time: read again
	tooLong           // less at a time
	refused           // this one is not taken as it is
)

// judge reads an answer (hl7.org/fhir/R4/http.html#transaction-response; RFC 9110 section 15).
// Some statuses mean another thing without an OperationOutcome: then it was no FHIR server that
// answered, and the address or a gateway is at fault.
func judge(a answer) (verdict, store.Refusal) {
	code, said, spoken := fhir.ReadOutcome(a.body)
	why := store.Refusal{Code: code, Status: a.status, Diagnostics: said}
	why.Details = "the server answered " + strconv.Itoa(a.status)
	if !spoken {
		why.Code = codeOf(a.status)
	}
	switch s := a.status; {
	case a.login:
		return away, store.Refusal{Code: string(outcome.CodeLogin), Details: a.why}
	case s == 0:
		return away, store.Refusal{Code: string(outcome.CodeTransient), Details: a.why}
	case s >= 200 && s < 300:
		return taken, store.Refusal{}
	case s >= 300 && s < 400:
		why.Details += ", and no redirect is followed"
		return away, why
	case s == http.StatusUnauthorized, s == http.StatusForbidden, s == http.StatusRequestTimeout, s == http.StatusTooManyRequests,
		s == http.StatusBadGateway, s == http.StatusServiceUnavailable, s == http.StatusGatewayTimeout:
		return away, why
	case s >= 500:
		return failed, why
	case s == http.StatusConflict, s == http.StatusPreconditionFailed:
		return contended, why
	case s == http.StatusRequestEntityTooLarge:
		return tooLong, why
	case !spoken && (s == http.StatusNotFound || s == http.StatusMethodNotAllowed || s == http.StatusNotAcceptable ||
		s == http.StatusGone || s == http.StatusUnsupportedMediaType):
		why.Details += ", not as a FHIR server does"
		return away, why
	}
	return refused, why
}

// codeOf is the issue code of a status that came without an OperationOutcome.
func codeOf(status int) string {
	code := outcome.Code("processing")
	switch status {
	case http.StatusUnauthorized:
		code = outcome.CodeLogin
	case http.StatusForbidden:
		code = outcome.CodeForbidden
	case http.StatusConflict, http.StatusPreconditionFailed:
		code = outcome.CodeConflict
	case http.StatusRequestEntityTooLarge:
		code = outcome.CodeTooLong
	case http.StatusTooManyRequests:
		code = outcome.CodeThrottled
	case http.StatusRequestTimeout, http.StatusGatewayTimeout:
		code = outcome.CodeTimeout
	case http.StatusBadGateway, http.StatusServiceUnavailable:
		code = outcome.CodeTransient
	case http.StatusNotFound:
		code = outcome.CodeNotFound
	}
	return string(code)
}

// settle makes of an answer that took nothing what becomes of the queue. How long it waits is
// said only as far as the server asked for it.
func settle(v verdict, a answer, why store.Refusal) store.DeliverySettlement {
	if v == refused || v == tooLong {
		return store.DeliverySettlement{Refused: true, Why: why}
	}
	return store.DeliverySettlement{
		Failed: true, Away: v == away, Wait: a.after, Pause: a.after, Why: why,
		Doubt: a.doubt || a.status >= 500 || a.status == http.StatusRequestTimeout,
	}
}
