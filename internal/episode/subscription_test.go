package episode

import (
	"context"
	"errors"
	"fmt"
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/search"
	"fhirsvc/internal/fhir/tree"
	"fhirsvc/internal/store"
)

// allowed are the endpoints of an invented maker of screens.
type allowed struct{}

func (allowed) Allow(url string) error {
	if !strings.HasPrefix(url, "https://screens.example/") {
		return errors.New("this endpoint is not on the list")
	}
	return nil
}

func newSubscribing(t *testing.T) *bench {
	b := newBench(t, nil)
	b.Endpoints = allowed{}
	return b
}

const backport = "http://hl7.org/fhir/uv/subscriptions-backport/StructureDefinition/"

func screen(name string) Client { return Client{ID: name, Units: AllUnits()} }

// onCriteria is R4's own Subscription; more are further members of its channel.
func onCriteria(criteria, more string) string {
	return fmt.Sprintf(`{"resourceType":"Subscription","status":"requested","reason":"work list","criteria":%q,
"channel":{"type":"rest-hook","endpoint":"https://screens.example/hook"%s}}`, criteria, more)
}

func onTopic(topic, content string) string {
	return onCriteria(fhir.CanonicalBase+"/SubscriptionTopic/"+topic, fmt.Sprintf(
		`,"header":["Authorization: Bearer secret"],"payload":"application/fhir+json","_payload":{"extension":[{"url":"%sbackport-payload-content","valueCode":%q}]},
"extension":[{"url":"%[1]sbackport-max-count","valuePositiveInt":5},{"url":"%[1]sbackport-heartbeat-period","valueUnsignedInt":60}]`, backport, content))
}

func (b *bench) subscribes(c Client, body string) (store.Resource, error) {
	results, err := b.Chart(b.t.Context(), c, []Entry{{Method: methodPost, Type: "Subscription", Body: []byte(body)}})
	if err != nil {
		return store.Resource{}, err
	}
	return results[0].Resource, nil
}

func (b *bench) mustSubscribe(c Client, body string) store.Resource {
	b.t.Helper()
	r, err := b.subscribes(c, body)
	require.NoError(b.t, err)
	return r
}

// resubscribe puts a Subscription with some text of its current version replaced.
func (b *bench) resubscribe(c Client, id string, replace ...string) (store.Resource, error) {
	b.t.Helper()
	r, err := b.Store.Read(b.t.Context(), "Subscription", id)
	require.NoError(b.t, err)
	body := strings.NewReplacer(replace...).Replace(string(r.Body))
	results, err := b.Chart(b.t.Context(), c, []Entry{{Method: methodPut, Type: "Subscription", ID: id, Body: []byte(body)}})
	if err != nil {
		return store.Resource{}, err
	}
	return results[0].Resource, nil
}

func (b *bench) statusOf(id string) string {
	b.t.Helper()
	r, err := b.Store.Read(b.t.Context(), "Subscription", id)
	require.NoError(b.t, err)
	q, err := b.Store.Subscription(b.t.Context(), id)
	require.NoError(b.t, err)
	doc, _ := tree.Parse(r.Body)
	require.Equal(b.t, doc.Root.Str("status"), q.Status, "the queue is as the resource")
	require.Equal(b.t, r.Version, q.Version)
	return q.Status
}

// matches holds all changes against the Subscriptions.
func (b *bench) matches() {
	b.t.Helper()
	for n := 1; n > 0; {
		var err error
		n, err = b.Store.MatchOutbox(b.t.Context(), 50, b.Match)
		require.NoError(b.t, err)
	}
}

// claim gives the claim of a Subscription that there is something to do for.
func (b *bench) claim(id string) store.SubscriptionClaim {
	b.t.Helper()
	b.hours++
	claims, err := b.Store.ClaimSubscriptions(b.t.Context(), b.hour(), 50, 50)
	require.NoError(b.t, err)
	var found store.SubscriptionClaim
	for _, c := range claims {
		if c.ID == id {
			found = c
			continue
		}
		require.NoError(b.t, b.Store.SettleSubscription(b.t.Context(), b.hour(), c, store.Settlement{}))
	}
	require.NotZero(b.t, found.Fence, "nothing is to be done for %s", id)
	return found
}

// hour is a real clock that is turned by an hour with every claim.
func (b *bench) hour() time.Time { return time.Now().Add(time.Duration(b.hours) * time.Hour) }

// next gives the next call of a Subscription and settles it as taken.
func (b *bench) next(id string) *Call {
	b.t.Helper()
	c := b.claim(id)
	call, upto, err := b.NextCall(b.t.Context(), c)
	require.NoError(b.t, err)
	if call != nil {
		upto = call.Upto
		require.NoError(b.t, b.CallTaken(b.t.Context(), call))
	}
	require.NoError(b.t, b.Store.SettleSubscription(b.t.Context(), b.hour(), c, store.Settlement{Sent: upto}))
	return call
}

// validBundle holds a notification to R4 and its invariants, and gives it.
func (b *bench) validBundle(body []byte) *tree.Node {
	b.t.Helper()
	issues := sharedIncoming().Resource(body)
	require.False(b.t, outcome.HasErrors(issues), "%v", issues)
	doc, _ := tree.Parse(body)
	return doc.Root
}

func eventNumbers(bundle *tree.Node) (numbers, focus []string) {
	for p := range bundle.Get("entry").At(0).Get("resource").Get("parameter").Items() {
		if p.Str("name") != "notification-event" {
			continue
		}
		for part := range p.Get("part").Items() {
			switch part.Str("name") {
			case "event-number":
				numbers = append(numbers, part.Str("valueString"))
			case "focus":
				focus = append(focus, part.Get("valueReference").Str("reference"))
			}
		}
	}
	return numbers, focus
}

// A topic's life: requested, handshake, active, events in order of their numbers, heartbeat.
func TestATopicIsTold(t *testing.T) {
	b := newSubscribing(t)
	r := b.mustSubscribe(screen("a"), onTopic("task-changed", "full-resource"))
	require.Equal(t, "requested", b.statusOf(r.ID))
	_, err := b.send(newEvent())
	require.NoError(t, err)
	b.matches()
	handshake := b.next(r.ID)
	require.True(t, handshake.Once)
	require.Equal(t, "POST", handshake.Method)
	require.Equal(t, "https://screens.example/hook", handshake.URL)
	require.Equal(t, [][2]string{{"Authorization", "Bearer secret"}}, handshake.Headers)
	require.Contains(t, string(handshake.Body), `"valueCode":"handshake"`)
	b.validBundle(handshake.Body)
	require.Equal(t, "active", b.statusOf(r.ID))

	q, err := b.Store.Subscription(t.Context(), r.ID)
	require.NoError(t, err)
	require.Greater(t, q.Events, int64(5), "events are counted from its creation on")
	var numbers []string
	for int64(len(numbers)) < q.Events {
		call := b.next(r.ID)
		bundle := b.validBundle(call.Body)
		got, focus := eventNumbers(bundle)
		require.Len(t, focus, len(got))
		require.LessOrEqual(t, len(got), 5, "max-count")
		require.Equal(t, len(got)+1, bundle.Get("entry").Len(), "each with its resource")
		for i := range got {
			e := bundle.Get("entry").At(i + 1)
			require.Equal(t, focus[i], e.Str("fullUrl"))
			require.Equal(t, "Task", e.Get("resource").Str("resourceType"))
		}
		require.Contains(t, string(call.Body), `"events-since-subscription-start","valueString":"`+got[len(got)-1]+`"`)
		numbers = append(numbers, got...)
	}
	for i, n := range numbers {
		require.Equal(t, fmt.Sprint(i+1), n)
	}
	require.Contains(t, string(b.next(r.ID).Body), `"valueCode":"heartbeat"`)
}

// R4's own rest-hook: nothing to shake hands about; with a payload an update below the
// endpoint, without one a bare call (http://hl7.org/fhir/subscription-channel-type).
func TestCriteriaAreTold(t *testing.T) {
	b := newSubscribing(t)
	update := b.mustSubscribe(screen("a"), onCriteria("Task?status=ready", `,"payload":"application/fhir+json"`))
	bare := b.mustSubscribe(screen("a"), onCriteria("CarePlan", ""))
	for _, r := range []store.Resource{update, bare} {
		require.Nil(t, b.next(r.ID))
		require.Equal(t, "active", b.statusOf(r.ID))
	}
	_, err := b.send(newEvent())
	require.NoError(t, err)
	b.matches()
	call := b.next(update.ID)
	doc, _ := tree.Parse(call.Body)
	require.Equal(t, "PUT", call.Method)
	require.Equal(t, "https://screens.example/hook/Task/"+doc.Root.Str("id"), call.URL)
	require.Equal(t, "ready", doc.Root.Str("status"))
	stored, err := b.Store.ReadVersion(t.Context(), "Task", doc.Root.Str("id"), 1)
	require.NoError(t, err)
	require.Equal(t, string(stored.Body), string(call.Body), "the version that fulfilled the criteria, byte for byte")
	call = b.next(bare.ID)
	require.Equal(t, "POST", call.Method)
	require.Equal(t, "https://screens.example/hook", call.URL)
	require.Empty(t, call.Body)
	require.Empty(t, call.ContentType)
}

// What is matched is what a search finds: every version that was ever current is held
// against both.
func TestMatchingIsSearching(t *testing.T) {
	b := newSubscribing(t)
	criteria := []string{
		"Task?status=ready,in-progress", "Task?status:not=draft", "Task?code=site-check", "Task?due-date=lt2026-03-04T11:00:00Z", "Task?business-status:missing=true",
		"Task?patient:missing=false", "CarePlan?status=active", "Observation?code=band-air-volume", "Procedure?date=2026-03",
		"Patient?name=oko", "Task?_lastUpdated=ge2026-03-04", "Provenance", "Task?status=nothing",
	}
	ids := map[string]string{}
	for _, c := range criteria {
		ids[c] = b.mustSubscribe(screen("a"), onCriteria(c, "")).ID
	}
	_, err := b.send(newEvent())
	require.NoError(t, err)
	b.matches()
	for _, c := range criteria { // every resource is in its first version now
		found := map[string]bool{}
		events, err := b.Store.SubscriptionEvents(t.Context(), ids[c], 1, 1000, 1000)
		require.NoError(t, err)
		for _, e := range events {
			found[e.Type+"/"+e.ID] = true
		}
		kind, query, _ := strings.Cut(c, "?")
		want := map[string]bool{}
		for _, r := range b.searchAll(kind, query) {
			want[kind+"/"+r.ID] = true
		}
		if kind == "Provenance" { // those of the Subscriptions were before, or are their owners'
			require.Subset(t, want, found)
			require.NotEmpty(t, found)
			continue
		}
		require.Equal(t, want, found, c)
		require.Equal(t, c != "Task?status=nothing", len(want) > 0, c)
	}
}

func (b *bench) searchAll(kind, query string) []store.Resource {
	b.t.Helper()
	q, issues := parseQuery(kind, query)
	require.Empty(b.t, issues)
	q.Count = 1000
	page, err := b.Store.Search(b.t.Context(), q)
	require.NoError(b.t, err)
	return page.Matches
}

func parseQuery(kind, query string) (search.Query, []outcome.Issue) {
	q, _, issues := search.Parse(kind, mustQuery(query), search.Options{})
	return q, issues
}

// A client is told of its own units alone, also when a resource has moved since.
func TestOnlyOwnUnitsAreTold(t *testing.T) {
	b := newSubscribing(t)
	theirs := b.mustSubscribe(Client{ID: "a", Units: UnitsOf("https://lindenbrook.example/units|other")}, onCriteria("Task", ""))
	nobodys := b.mustSubscribe(Client{ID: "n"}, onTopic("task-changed", "id-only"))
	all := b.mustSubscribe(screen("b"), onTopic("task-changed", "full-resource"))
	_, err := b.send(newEvent()) // of no unit
	require.NoError(t, err)
	b.matches()
	for id, told := range map[string]bool{theirs.ID: false, nobodys.ID: false, all.ID: true} {
		q, err := b.Store.Subscription(t.Context(), id)
		require.NoError(t, err)
		require.Equal(t, told, q.Events > 0)
	}

	b.next(all.ID)
	q, err := b.Store.Subscription(t.Context(), all.ID)
	require.NoError(t, err)
	q.All, q.Units = false, []string{"https://lindenbrook.example/units|other"} // its units are others now
	r, err := b.Store.Read(t.Context(), "Subscription", all.ID)
	require.NoError(t, err)
	next, err := b.sameAgain(r, b.Now())
	require.NoError(t, err)
	q.Version = next.Version
	results, err := b.Store.Commit(t.Context(), []store.Changeset{{Resources: []store.Resource{next}, Subscriptions: []store.Subscription{q}}})
	require.NoError(t, err)
	require.Equal(t, store.Committed, results[0].Status)
	bundle := b.validBundle(b.next(all.ID).Body)
	numbers, focus := eventNumbers(bundle)
	require.Len(t, numbers, 5, "the numbers go on")
	require.Empty(t, focus, "and tell nothing else")
	require.Equal(t, 1, bundle.Get("entry").Len())
	body, seen, err := b.SubscriptionEvents(t.Context(), Client{ID: "b", Units: UnitsOf("x|y")}, next, 1, 3, "")
	require.NoError(t, err)
	require.Empty(t, seen)
	numbers, focus = eventNumbers(b.validBundle(body))
	require.Equal(t, []string{"1", "2", "3"}, numbers)
	require.Empty(t, focus)
}

// R4 Subscription.status: a client asks for requested or off, all else is the service's.
func TestWhatAClientMayChange(t *testing.T) {
	b := newSubscribing(t)
	a := screen("a")
	topic := onTopic("task-changed", "id-only")
	for name, body := range map[string]string{
		"active":   strings.Replace(topic, "requested", "active", 1),
		"off":      strings.Replace(topic, "requested", "off", 1),
		"ended":    strings.Replace(topic, `"reason"`, `"end":"2020-01-01T00:00:00Z","reason"`, 1),
		"endpoint": strings.Replace(topic, "screens.example", "attacker.example", 1),
		"topic":    strings.Replace(topic, "task-changed", "nothing", 1),
	} {
		_, err := b.subscribes(a, body)
		require.Equal(t, outcome.CodeBusinessRule, outcome.KindOf(err), name)
	}
	r := b.mustSubscribe(a, topic)
	b.next(r.ID)
	require.Equal(t, "active", b.statusOf(r.ID))
	for name, replace := range map[string][]string{
		"another topic":          {"task-changed", "plan-changed"},
		"a filter":               {`"criteria"`, `"_criteria":{"extension":[{"url":"` + backport + `backport-filter-criteria","valueString":"Task?status=ready"}]},"criteria"`},
		"error":                  {`"status":"active"`, `"status":"error"`},
		"another channel":        {"/hook", "/other"},
		"another, not allowed":   {"active", "requested", "screens.example", "attacker.example"},
		"an end that is over":    {`"reason"`, `"end":"2020-01-01T00:00:00Z","reason"`},
		"what can't be honoured": {"rest-hook", "websocket"},
	} {
		_, err := b.resubscribe(a, r.ID, replace...)
		require.Equal(t, outcome.CodeBusinessRule, outcome.KindOf(err), name)
	}
	got, err := b.resubscribe(a, r.ID, "work list", "work lists")
	require.NoError(t, err)
	require.Equal(t, "active", b.statusOf(r.ID))
	same, err := b.resubscribe(a, r.ID)
	require.NoError(t, err)
	require.Equal(t, got.Version, same.Version, "the same again makes no version")
	_, err = b.resubscribe(a, r.ID, "active", "requested", "/hook", "/other")
	require.NoError(t, err)
	require.Equal(t, "requested", b.statusOf(r.ID))
	require.Equal(t, "https://screens.example/other", b.next(r.ID).URL, "it shakes hands again")
	_, err = b.Chart(t.Context(), a, []Entry{{Method: methodPatch, Type: "Subscription", ID: r.ID, Body: []byte(`[{"op":"replace","path":"/status","value":"off"}]`)}})
	require.NoError(t, err)
	require.Equal(t, "off", b.statusOf(r.ID))
	_, err = b.resubscribe(a, r.ID, `"status":"off"`, `"status":"requested"`)
	require.ErrorContains(t, err, "business-rule")
	_, err = b.send(newEvent())
	require.NoError(t, err)
	b.matches()
	q, err := b.Store.Subscription(t.Context(), r.ID)
	require.NoError(t, err)
	require.Zero(t, q.Events, "nothing is counted for what has ended")

	b.Endpoints = nil
	_, err = b.subscribes(a, topic)
	require.ErrorContains(t, err, "calls no endpoints")
}

// A Subscription is its owner's: who else asks finds nothing, a client of all units too.
func TestASubscriptionIsItsOwners(t *testing.T) {
	b := newSubscribing(t)
	r := b.mustSubscribe(screen("a"), onTopic("task-changed", "id-only"))
	for _, c := range []Client{screen("b"), {ID: "a", User: "nurse", Units: AllUnits()}, {ID: "a b", Units: AllUnits()}} {
		_, err := b.resubscribe(c, r.ID, "work list", "mine")
		require.Equal(t, outcome.CodeNotFound, outcome.KindOf(err), c.ID)
		require.False(t, c.Sees("Subscription").Has(r.Unit))
	}
	require.True(t, screen("a").Sees("Subscription").Has(r.Unit))
	require.True(t, Client{ID: "a"}.Sees("Provenance").Has(r.Unit))
	require.True(t, screen("b").Sees("Provenance").Has(r.Unit))
	require.False(t, Client{ID: "b"}.Sees("Provenance").Has(r.Unit))
	again := Entry{Method: methodPost, Type: "Subscription", Body: []byte(onTopic("task-changed", "empty")), IfNoneExist: "status=requested"}
	results, err := b.Chart(t.Context(), screen("b"), []Entry{again})
	require.NoError(t, err)
	require.NotEqual(t, r.ID, results[0].Resource.ID, "another's is no match")
	results, err = b.Chart(t.Context(), screen("a"), []Entry{again})
	require.NoError(t, err)
	require.Equal(t, r.ID, results[0].Resource.ID)

	leases, err := b.Store.LeaseOutbox(t.Context(), "test", 64, time.Minute)
	require.NoError(t, err)
	for _, l := range leases {
		rows, err := b.Store.Unsent(t.Context(), []store.Lease{l}, 100)
		require.NoError(t, err)
		for _, row := range rows {
			require.NotContains(t, row.Subject, "Subscription", "its headers may be secrets: it is no change that is told")
		}
	}
}

// The service moves a Subscription only from the version that it acted on, and tells in
// Provenance that it did.
func TestMoveSubscription(t *testing.T) {
	b := newSubscribing(t)
	r := b.mustSubscribe(screen("a"), onTopic("task-changed", "id-only"))
	c := b.claim(r.ID)
	call, _, err := b.NextCall(t.Context(), c)
	require.NoError(t, err)
	_, err = b.resubscribe(screen("a"), r.ID, "requested", "off")
	require.NoError(t, err)
	require.NoError(t, b.CallTaken(t.Context(), call))
	require.Equal(t, "off", b.statusOf(r.ID), "its owner was faster")

	r = b.mustSubscribe(screen("a"), onTopic("task-changed", "id-only"))
	call, _, err = b.NextCall(t.Context(), b.claim(r.ID))
	require.NoError(t, err)
	require.NoError(t, b.CallFailed(t.Context(), call, "the endpoint answered 401"))
	require.Equal(t, "error", b.statusOf(r.ID))
	now, err := b.Store.Read(t.Context(), "Subscription", r.ID)
	require.NoError(t, err)
	require.Contains(t, string(now.Body), `"error":"the endpoint answered 401"`)
	require.False(t, outcome.HasErrors(sharedIncoming().Resource(now.Body)))
	p, err := b.Store.Read(t.Context(), "Provenance", b.ids.provenance("Subscription", r.ID, now.Version))
	require.NoError(t, err)
	require.Contains(t, string(p.Body), "Subscription/"+r.ID+"/_history/2")
	require.NotContains(t, string(p.Body), `"author"`)
	status, err := b.SubscriptionStatus(t.Context(), now)
	require.NoError(t, err)
	require.False(t, outcome.HasErrors(sharedIncoming().Resource(status)))
	require.Contains(t, string(status), `"valueCode":"query-status"`)
	require.Contains(t, string(status), "the endpoint answered 401")
}

// At its end a Subscription is turned off, and what changes later is not counted.
func TestAnEndEndsIt(t *testing.T) {
	b := newSubscribing(t)
	end := time.Now().Add(10 * time.Minute).UTC()
	r := b.mustSubscribe(screen("a"), strings.Replace(onCriteria("Task", ""), `"reason"`, `"end":"`+fhir.Instant(end)+`","reason"`, 1))
	b.set(end.Add(time.Second))
	_, err := b.send(newEvent())
	require.NoError(t, err)
	b.matches()
	q, err := b.Store.Subscription(t.Context(), r.ID)
	require.NoError(t, err)
	require.Zero(t, q.Events)
	require.Nil(t, b.next(r.ID))
	require.Equal(t, "off", b.statusOf(r.ID))
}

// Events are told again from number to number, with no more content than there is.
func TestEventsAreToldAgain(t *testing.T) {
	b := newSubscribing(t)
	id := b.mustSubscribe(screen("a"), onTopic("task-changed", "id-only"))
	full := b.mustSubscribe(screen("a"), onCriteria("Task", `,"payload":"application/fhir+json"`))
	_, err := b.send(newEvent())
	require.NoError(t, err)
	b.matches()
	for _, test := range []struct {
		r        store.Resource
		from, to int64
		content  fhir.Content
		numbers  []string
		entries  int
		focus    bool
	}{
		{id, 2, 4, "", []string{"2", "3", "4"}, 1, true},
		{id, 2, 2, fhir.ContentFull, []string{"2"}, 1, true},
		{id, 2, 2, fhir.ContentEmpty, []string{"2"}, 1, false},
		{id, 1000, 2000, "", nil, 1, false},
		{full, 1, 2, "", []string{"1", "2"}, 3, true},
		{full, 1, 2, fhir.ContentIDOnly, []string{"1", "2"}, 1, true},
	} {
		body, seen, err := b.SubscriptionEvents(context.Background(), screen("a"), test.r, test.from, test.to, test.content)
		require.NoError(t, err)
		bundle := b.validBundle(body)
		numbers, focus := eventNumbers(bundle)
		require.Equal(t, test.numbers, numbers)
		require.Equal(t, test.focus, len(focus) > 0)
		require.Equal(t, test.entries, bundle.Get("entry").Len())
		require.Len(t, seen, test.entries-1)
		require.Contains(t, string(body), `"valueCode":"query-event"`)
	}
}

func mustQuery(text string) url.Values {
	q, err := url.ParseQuery(text)
	if err != nil {
		panic(err)
	}
	return q
}
