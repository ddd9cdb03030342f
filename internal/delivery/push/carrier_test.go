package push_test

import (
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/delivery/push"
	"fhirsvc/internal/delivery/push/pushtest"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/store"
)

// What one input changed arrives whole, in ids of the server's own, and what follows is
// written upon it.
func TestAnEpisodeArrives(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	s.change("e", plan("e", "t1", "t2"), task("t1", "ready"), task("t2", "draft"))
	s.must()
	s.same()
	s.change("e", task("t1", "completed", "o1"), finding("o1", "3.0", ""), task("t2", "ready"), plan("e", "t1", "t2"))
	s.must()
	s.change("e", finding("o1", "3.50", ""))
	s.must()
	s.same()
	require.Equal(t, []string{"transaction", "transaction", "transaction"}, s.server.Requests)
	_, again := s.once()
	require.False(t, again)
}

// After days away one transaction brings an episode up to date, of each resource the newest
// version (hl7.org/fhir/R4/http.html#transaction: one resource, one entry).
func TestWhatWaitedArrivesAtOnce(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	s.change("e", plan("e", "t1"), task("t1", "ready"))
	for range 20 {
		s.change("e", task("t1", "in-progress"))
		s.change("e", task("t1", "ready"))
	}
	s.must()
	s.same()
	require.Equal(t, 1, s.server.Writes())
}

// What was there before the destination was is brought along when it is referred to, once.
func TestWhatWasThereBeforeIsBrought(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	require.NoError(t, s.EndDestination(t.Context(), "ehr"))
	s.change("e", task("t1", "ready", "o1"), finding("o1", "3", ""), task("t2", "ready"))
	s.change("other", task("x", "ready"))
	require.NoError(t, s.AddDestination(t.Context(), "ehr"))
	s.change("e", plan("e", "t1", "t2"))
	s.must()
	delete(s.bodies, "Task/x") // of another episode, and not referred to
	s.same()
	s.change("e", plan("e", "t1", "t2"))
	s.must()
	require.Equal(t, "1", meta(s, "Task", "t1"), "and not again")
}

func meta(s *site, kind, id string) string {
	_, r := s.remote(kind, id)
	return r["meta"].(pushtest.Resource)["versionId"].(string)
}

// An answer that is lost after the work is done harms nothing: what is there is seen, and not
// written again.
func TestALostAnswerIsHarmless(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	for _, made := range [][]store.Resource{
		{plan("e", "t1"), task("t1", "ready"), finding("o1", "3", ""), finding("o2", "4", "F-2")},
		{task("t1", "completed", "o1")},
		{finding("o2", "4.5", "F-2"), task("t1", "completed", "o1", "o2")},
	} {
		s.change("e", made...)
		s.server.Fail(func(kind string) pushtest.Fault { return pushtest.Fault{Drop: kind == "transaction"} })
		x, _ := s.once()
		require.True(t, x.Failed && x.Away && x.Doubt, "%+v", x)
		s.server.Fail(func(string) pushtest.Fault { return pushtest.Fault{} })
		before := s.server.Writes()
		s.must()
		require.Equal(t, before, s.server.Writes(), "nothing is written twice")
		s.same()
	}
	require.Equal(t, "2", meta(s, "Observation", "o2"), "ours, in spite of the client's identifier")
}

// A server may answer a search with what it found a minute ago, unless it is told not to (seen on
// HAPI FHIR 8.8.0): what was not there then may be there now.
func TestWhatWasFoundBeforeIsAskedForAnew(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	s.change("e", task("t1", "ready"))
	for _, fault := range []pushtest.Fault{{Status: http.StatusConflict}, {Drop: true}} {
		s.server.Fail(func(kind string) pushtest.Fault {
			if kind == "transaction" {
				return fault
			}
			return pushtest.Fault{}
		})
		x, _ := s.once()
		require.True(t, x.Failed, "%+v", x)
	}
	s.server.Fail(func(string) pushtest.Fault { return pushtest.Fault{} })
	require.Equal(t, 1, s.server.Writes())
	x, _ := s.once()
	require.Len(t, x.Sent, 1, "it is there: %+v", x)
	require.Equal(t, 1, s.server.Writes(), "and is not written again")
	s.same()
}

// A patient who is registered just after the server refused what refers to them, and before it is
// asked who they are, is no reason to wait for a person.
func TestAPatientWhoBecomesKnownMeanwhile(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	s.change("e", task("t1", "ready"))
	refusals := 1
	s.server.Fail(func(kind string) pushtest.Fault {
		if kind != "transaction" || refusals == 0 {
			return pushtest.Fault{}
		}
		refusals--
		return pushtest.Fault{Status: http.StatusNotFound, Body: `{"resourceType":"OperationOutcome","issue":[{"severity":"error","code":"processing"}]}`}
	})
	x, _ := s.once()
	require.Len(t, x.Sent, 1, "%+v", x)
	s.same()

	refusals = 2
	s.change("e", task("t1", "completed"))
	x, _ = s.once()
	require.True(t, x.Refused, "the reason is another one: %+v", x)
}

// lostAnswer has a Task written twice, and loses the answer to the second time.
func (s *site) lostAnswer() {
	s.Helper()
	s.change("e", task("t1", "ready"))
	s.must()
	s.change("e", task("t1", "in-progress"))
	s.server.Fail(func(kind string) pushtest.Fault { return pushtest.Fault{Drop: kind == "transaction"} })
	_, _ = s.once()
	s.server.Fail(func(string) pushtest.Fault { return pushtest.Fault{} })
}

// More may have come by when an answer was lost: what is there is an older version of ours, and
// is written upon.
func TestALostAnswerAndANewerVersion(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	s.lostAnswer()
	s.change("e", task("t1", "completed"), finding("o1", "3", ""))
	s.must()
	s.same()
	require.Equal(t, "3", meta(s, "Task", "t1"))
}

// After a restore versions go on far above those that were told (ADR 0085): what is there is
// still known for a version of ours.
func TestALostAnswerAcrossARestore(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	s.lostAnswer()
	restored := task("t1", "completed")
	restored.Skipped = 1000
	s.change("e", restored)
	s.must()
	s.same()
	require.Equal(t, "3", meta(s, "Task", "t1"))
}

// What others wrote is never replaced silently (hl7.org/fhir/R4/http.html#concurrency).
func TestForeignEditsAreNotReplaced(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	s.change("e", task("t1", "ready"), task("t2", "ready"))
	s.must()
	name, _ := s.remote("Task", "t1")
	s.server.Edit(name, func(r pushtest.Resource) { r["status"] = "cancelled" })
	s.change("e", task("t1", "in-progress"), task("t2", "in-progress"))
	x, _ := s.once()
	require.True(t, x.Refused)
	require.Equal(t, store.Refusal{Code: "conflict", Details: "Task/t1 was changed at the server by somebody else"}, x.Why)
	_, there := s.remote("Task", "t1")
	require.Equal(t, "cancelled", there["status"])
	_, other := s.remote("Task", "t2")
	require.Equal(t, "ready", other["status"], "an input arrives whole or not at all")
	_, again := s.once()
	require.False(t, again, "it waits for a person")

	s.change("e", task("t2", "completed"))
	x, _ = s.once()
	require.True(t, x.Refused, "a later change brings no leave with it")
	queues, err := s.DeliveryQueues(t.Context())
	require.NoError(t, err)
	require.NoError(t, s.RetryDelivery(t.Context(), "ehr", queues[0].Number, true))
	s.must()
	s.same()
	s.change("e", task("t1", "completed"))
	s.must()
	s.same()
}

// What others took away is not brought back silently.
func TestForeignDeletionsAreNotUndone(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	s.change("e", task("t1", "ready"))
	s.must()
	name, _ := s.remote("Task", "t1")
	s.server.Delete(name)
	s.change("e", task("t1", "in-progress"))
	x, _ := s.once()
	require.True(t, x.Refused)
	require.Equal(t, "Task/t1 was taken away at the server by somebody else", x.Why.Details)
	queues, err := s.DeliveryQueues(t.Context())
	require.NoError(t, err)
	require.NoError(t, s.RetryDelivery(t.Context(), "ehr", queues[0].Number, true))
	s.must()
	s.same()
}

// A client may chart the same finding here and there: theirs is referred to, and left alone.
func TestWhatAClientChartedThereIsLeftAlone(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	theirs := s.server.Put(`{"resourceType":"Observation","identifier":[{"system":"https://screen.example/finding","value":"F-1"}],"status":"preliminary","code":{"text":"theirs"}}`)
	s.change("e", finding("o1", "3", "F-1"), task("t1", "completed", "o1"))
	s.must()
	s.change("e", finding("o1", "4", "F-1"))
	s.must()
	_, there := s.remote("Observation", "o1")
	require.Equal(t, "preliminary", there["status"])
	_, done := s.remote("Task", "t1")
	output := done["output"].([]any)[0].(pushtest.Resource)
	require.Equal(t, "Observation/"+theirs, output["valueReference"].(pushtest.Resource)["reference"])
}

// The patient is the server's own: a plan never comes to stand under nobody or two. One that is
// not known yet may be in a while.
func TestTheServerMustKnowThePatient(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	second := s.server.Put(`{"resourceType":"Patient","identifier":[{"system":"https://ehr.example/patient","value":"T-77"}]}`)
	s.change("e", task("t1", "ready"))
	x, _ := s.once()
	require.True(t, x.Refused)
	require.Equal(t, store.Refusal{Code: "multiple-matches", Details: "the server has more than one of Patient/p"}, x.Why)
	var first string
	for name := range s.server.Find("Patient", patientSystem, "T-77") {
		if first = name; name != "Patient/"+second {
			break
		}
	}
	s.server.Delete("Patient/" + second)
	s.server.Delete(first)
	s.change("e", task("t1", "in-progress"))
	x, _ = s.once()
	require.True(t, x.Failed && !x.Away, "%+v", x)
	require.Equal(t, store.Refusal{Code: "not-found", Details: "the server does not know Patient/p"}, x.Why)
	require.Zero(t, s.server.Writes())
	s.server.Put(strings.Replace(patient, `"id":"%s",`, "", 1))
	s.must()
	s.same()
}

// A poison episode stands in nobody's way, and what the server says of it is kept apart from
// what may be logged.
func TestARefusedEpisodeIsAlone(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	s.change("poison", task("t1", "ready"))
	s.server.Fail(func(string) pushtest.Fault {
		return pushtest.Fault{Status: 422, Body: `{"resourceType":"OperationOutcome","issue":[{"severity":"error","code":"business-rule","diagnostics":"canary","expression":["Task.for"]}]}`}
	})
	x, _ := s.once()
	require.True(t, x.Refused)
	require.Equal(t, store.Refusal{Code: "business-rule", Status: 422, Details: "the server answered 422", Diagnostics: "Task.for; canary"}, x.Why)
	s.server.Fail(func(string) pushtest.Fault { return pushtest.Fault{} })
	s.change("e", task("t2", "ready"))
	s.must()
	_, again := s.once()
	require.False(t, again)
	s.change("poison", task("t1", "completed"))
	s.must()
	s.same()
}

// RFC 9110 section 15, hl7.org/fhir/R4/http.html#Status-Codes.
func TestAnswers(t *testing.T) {
	t.Parallel()
	said := `{"resourceType":"OperationOutcome","issue":[{"severity":"error","code":"not-found","diagnostics":"canary"}]}`
	for _, tt := range []struct {
		name  string
		fault pushtest.Fault
		want  store.DeliverySettlement
	}{
		{"throttled", pushtest.Fault{Status: 429, RetryAfter: "7"}, store.DeliverySettlement{Failed: true, Away: true, Wait: 7 * time.Second}},
		{"in repair", pushtest.Fault{Status: 503, RetryAfter: "120"}, store.DeliverySettlement{Failed: true, Away: true, Doubt: true, Wait: 2 * time.Minute}},
		{"for long", pushtest.Fault{Status: 503, RetryAfter: "999999"}, store.DeliverySettlement{Failed: true, Away: true, Doubt: true, Wait: time.Hour}},
		{"gateway", pushtest.Fault{Status: 502}, store.DeliverySettlement{Failed: true, Away: true, Doubt: true}},
		{"a fault of its own", pushtest.Fault{Status: 500, Body: said}, store.DeliverySettlement{Failed: true, Doubt: true}},
		{"not ours to write", pushtest.Fault{Status: 403, Body: said}, store.DeliverySettlement{Failed: true, Away: true}},
		{"no FHIR server", pushtest.Fault{Status: 404, Body: "<html>"}, store.DeliverySettlement{Failed: true, Away: true}},
		{"not found, in FHIR", pushtest.Fault{Status: 404, Body: said}, store.DeliverySettlement{Refused: true}},
		{"redirect", pushtest.Fault{Status: 307}, store.DeliverySettlement{Failed: true, Away: true}},
		{"no answer", pushtest.Fault{Cut: true}, store.DeliverySettlement{Failed: true, Away: true, Doubt: true}},
		{"contended", pushtest.Fault{Status: 409, Body: said}, store.DeliverySettlement{Failed: true}},
		{"refused", pushtest.Fault{Status: 400, Body: said}, store.DeliverySettlement{Refused: true}},
		{"nonsense", pushtest.Fault{Status: 200, Body: `{"resourceType":"Bundle","type":"transaction-response"}`}, store.DeliverySettlement{Failed: true, Doubt: true}},
		{"too long", pushtest.Fault{Status: 413}, store.DeliverySettlement{Refused: true}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			s := newSite(t)
			s.change("e", task("t1", "ready"))
			s.server.Fail(func(kind string) pushtest.Fault {
				if kind == "batch" {
					return pushtest.Fault{}
				}
				return tt.fault
			})
			x, _ := s.once()
			require.NotEmpty(t, x.Why.Code)
			require.NotContains(t, x.Why.Details, "canary")
			require.NotContains(t, x.Why.Details, "http")
			x.Why, tt.want.Pause, x.Copies = store.Refusal{}, tt.want.Wait, nil
			require.Equal(t, tt.want, x)
			s.server.Fail(func(string) pushtest.Fault { return pushtest.Fault{} })
			if tt.want.Refused {
				s.change("e", task("t1", "completed"))
			}
			s.must()
			s.same()
		})
	}
}

// What is too much at once is sent input by input.
func TestTooMuchAtOnceIsSentInParts(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	for _, status := range []string{"draft", "ready", "completed"} {
		s.change("e", task("t1", status))
	}
	s.takesHalf()
}

// takesHalf lets the server refuse the first Bundle as too large: then a part of what waits
// goes, with the draft of the Task, and then the rest.
func (s *site) takesHalf() {
	s.Helper()
	sent := 0
	s.server.Fail(func(string) pushtest.Fault {
		if sent++; sent == 1 {
			return pushtest.Fault{Status: http.StatusRequestEntityTooLarge}
		}
		return pushtest.Fault{}
	})
	s.must()
	_, there := s.remote("Task", "t1")
	require.Equal(s, "draft", there["status"])
	s.must()
	s.same()
}

// Only what an input says is sent with it: a newer version of what it refers to has its turn.
func TestWhatIsThereIsNotBroughtAgain(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	s.change("e", task("t1", "draft"))
	s.must()
	s.change("e", plan("e", "t1"))
	s.change("e", task("t1", "ready"))
	s.takesHalf()
}

// A server that hangs holds its own queue for its time, and nobody's else.
func TestASlowServerIsNotWaitedForLong(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	s.carrier = s.carry(push.Destination{Name: "ehr", Base: s.server.Base(), Timeout: 100 * time.Millisecond})
	s.change("e", task("t1", "ready"))
	s.server.Fail(func(string) pushtest.Fault { return pushtest.Fault{Delay: time.Minute} })
	x, _ := s.once()
	require.True(t, x.Failed && x.Away && x.Doubt)
	require.Equal(t, store.Refusal{Code: "transient", Details: "no answer in time"}, x.Why)
}

// Nothing is sent that is not valid R4.
func TestWhatIsNotValidIsNotSent(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	s.change("e", resource("Task", "t1", `{"resourceType":"Task","id":"%s","status":"nonsense","intent":"order"}`))
	x, _ := s.once()
	require.True(t, x.Refused)
	require.Equal(t, string(outcome.CodeException), x.Why.Code)
	require.Empty(t, s.server.Requests)
}
