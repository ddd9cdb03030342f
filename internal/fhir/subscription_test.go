package fhir

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/fhir/go/fhirversion"
	"github.com/google/fhir/go/jsonformat"
	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/search"
	"fhirsvc/internal/fhir/tree"
)

const taskTopic = CanonicalBase + "/SubscriptionTopic/task-changed"

// plainSubscription is R4's own, with more members of the channel.
func plainSubscription(criteria, channel string) string {
	return fmt.Sprintf(`{"resourceType":"Subscription","status":"requested","reason":"work list","criteria":%q,
"channel":{"type":"rest-hook","endpoint":"https://screens.example/hook"%s}}`, criteria, channel)
}

// topicSubscription is one with a topic, filters, and more members of the channel.
func topicSubscription(channel string, filters ...string) string {
	var extensions []string
	for _, f := range filters {
		extensions = append(extensions, fmt.Sprintf(`{"url":%q,"valueString":%q}`, extensionFilter, f))
	}
	with := ""
	if len(extensions) > 0 {
		with = `"_criteria":{"extension":[` + strings.Join(extensions, ",") + `]},`
	}
	return strings.Replace(plainSubscription(taskTopic, channel), `"channel"`, with+`"channel"`, 1)
}

func content(code string) string {
	return fmt.Sprintf(`,"payload":"application/fhir+json","_payload":{"extension":[{"url":%q,"valueCode":%q}]}`, extensionContent, code)
}

func number(extension, member string, n any) string {
	return fmt.Sprintf(`{"url":%q,%q:%v}`, extension, member, n)
}

func mustDecodeSubscription(t *testing.T, body string) *Subscription {
	t.Helper()
	doc, issues := tree.Parse([]byte(body))
	require.Empty(t, issues, body)
	s, issues := DecodeSubscription(doc, "", "https://h.example/fhir")
	require.NotNil(t, s, "%v", issues)
	return s
}

// R4 Subscription, hl7.org/fhir/R4/subscription.html: criteria are a search.
func TestDecodePlainSubscription(t *testing.T) {
	t.Parallel()
	s := mustDecodeSubscription(t, plainSubscription("Task?status=ready,in-progress&patient=https://h.example/fhir/Patient/1",
		`,"header":["Authorization: Bearer x:y","X-Ward: 3"]`))
	require.Equal(t, SubscriptionRequested, s.Status)
	require.Equal(t, ContentCall, s.Content)
	require.Equal(t, [][2]string{{"Authorization", "Bearer x:y"}, {"X-Ward", "3"}}, s.Headers)
	require.Equal(t, 10*time.Second, s.Timeout)
	require.Equal(t, 1, s.MaxCount)
	require.Equal(t, "Task", s.Query.Type)
	require.Len(t, s.Query.All, 2)
	ready := search.Index("Task", []byte(`{"resourceType":"Task","status":"ready","for":{"reference":"Patient/1"}}`))
	require.True(t, s.Query.Matches("t", time.Now(), ready))
	draft := search.Index("Task", []byte(`{"resourceType":"Task","status":"draft","for":{"reference":"Patient/1"}}`))
	require.False(t, s.Query.Matches("t", time.Now(), draft))
	require.Equal(t, ContentUpdate, mustDecodeSubscription(t, plainSubscription("Task?", `,"payload":"application/fhir+json"`)).Content)
	require.Empty(t, mustDecodeSubscription(t, plainSubscription("Task", "")).Query.All)
}

// Subscriptions R5 Backport 1.1.0: topic, filters, content, heartbeat, timeout, count.
func TestDecodeTopicSubscription(t *testing.T) {
	t.Parallel()
	s := mustDecodeSubscription(t, topicSubscription(content("full-resource")+`,"extension":[`+
		number(extensionHeartbeat, "valueUnsignedInt", 60)+","+number(extensionTimeout, "valueUnsignedInt", 3)+","+
		number(extensionMaxCount, "valuePositiveInt", 20)+"]", "Task?status=ready", "Task?code=site-check"))
	require.Equal(t, taskTopic, s.Topic)
	require.Equal(t, "Task", s.Query.Type)
	require.Len(t, s.Query.All, 2, "all filters must be met")
	require.Equal(t, ContentFull, s.Content)
	require.Equal(t, time.Minute, s.Heartbeat)
	require.Equal(t, 3*time.Second, s.Timeout)
	require.Equal(t, 20, s.MaxCount)
	require.Equal(t, ContentIDOnly, mustDecodeSubscription(t, topicSubscription("")).Content, "least where nothing is asked for")
	require.Equal(t, ContentEmpty, mustDecodeSubscription(t, topicSubscription(content("empty"))).Content)
	require.Equal(t, "Task", SubscriptionType([]byte(topicSubscription(""))))
	require.Equal(t, "CarePlan", SubscriptionType([]byte(plainSubscription("CarePlan?status=active", ""))))
	require.Empty(t, SubscriptionType([]byte(plainSubscription("Nothing?a=b", ""))))
	require.Empty(t, SubscriptionType([]byte("{")))
}

// What would not be honoured is refused, by name, and no text quotes what was sent.
func TestDecodeSubscriptionRefuses(t *testing.T) {
	t.Parallel()
	plain := func(channel string) string { return plainSubscription("Task?status=ready", channel) }
	with := func(old, new string) string { return strings.Replace(plain(""), old, new, 1) }
	for name, test := range map[string]struct{ body, at, text string }{
		"unknown parameter":      {plainSubscription("Task?canary=1", ""), "criteria", "not served"},
		"unknown type":           {plainSubscription("Nothing?status=1", ""), "criteria", "criteria are a type"},
		"untold type":            {plainSubscription("AuditEvent?action=R", ""), "criteria", "criteria are a type"},
		"leading slash":          {plainSubscription("/Task?status=ready", ""), "criteria", "criteria are a type"},
		"unreadable value":       {plainSubscription("Task?due-date=canary", ""), "criteria", "date"},
		"unreadable query":       {plainSubscription("Task?status=%zz", ""), "criteria", "not a query"},
		"order":                  {plainSubscription("Task?_sort=due-date", ""), "criteria", "_sort"},
		"count":                  {plainSubscription("Task?_count=canary", ""), "criteria", "_count"},
		"chain":                  {plainSubscription("Task?patient.family=Canary", ""), "criteria", "itself"},
		"has":                    {plainSubscription("Patient?_has:Task:patient:status=ready", ""), "criteria", "_has"},
		"about now":              {plainSubscription("Task?due-date=ap2026-03-04", ""), "criteria", "due-date"},
		"unknown topic":          {plainSubscription("https://canary.example/topic", ""), "criteria", "topic"},
		"filter without topic":   {strings.Replace(topicSubscription("", "Task?status=ready"), taskTopic, "Task?", 1), "criteria", "topic"},
		"filter of another type": {topicSubscription("", "Patient?name=canary"), "criteria", "Task?"},
		"filter of no query":     {topicSubscription("", "Task"), "criteria", "query"},
		"websocket":              {with("rest-hook", "websocket"), "channel.type", "rest-hook"},
		"custom channel":         {plain(fmt.Sprintf(`,"_type":{"extension":[{"url":%q,"valueCoding":{"code":"canary"}}]}`, extensionChannel)), "channel.type", "channel"},
		"no endpoint":            {with(`,"endpoint":"https://screens.example/hook"`, ""), "channel.endpoint", "endpoint"},
		"mailto":                 {with("https://screens.example/hook", "mailto:canary@x.example"), "channel.endpoint", "https"},
		"relative endpoint":      {with("https://screens.example/hook", "/canary"), "channel.endpoint", "https"},
		"user in the URL":        {with("https://", "https://canary:x@"), "channel.endpoint", "user"},
		"XML":                    {plain(`,"payload":"application/fhir+xml"`), "channel.payload", "application/fhir+json"},
		"content without topic":  {plain(content("empty")), "channel.payload", "topic"},
		"unknown content":        {topicSubscription(content("canary")), "channel.payload", "full-resource"},
		"header without colon":   {plain(`,"header":["canary"]`), "channel.header", "colon"},
		"header with a line":     {plain(`,"header":["A: b\r\nCanary: c"]`), "channel.header", "ASCII"},
		"header of ours":         {plain(`,"header":["host: canary"]`), "channel.header", "itself"},
		"proxy header":           {plain(`,"header":["Proxy-Authorization: canary"]`), "channel.header", "itself"},
		"many headers":           {plain(`,"header":[` + strings.Repeat(`"a: b",`, 16) + `"a: b"]`), "channel.header", "at most"},
		"timeout":                {topicSubscription(`,"extension":[` + number(extensionTimeout, "valueUnsignedInt", 31) + "]"), "channel", "backport-timeout"},
		"heartbeat":              {topicSubscription(`,"extension":[` + number(extensionHeartbeat, "valueUnsignedInt", 1) + "]"), "channel", "backport-heartbeat-period"},
		"count as text":          {topicSubscription(`,"extension":[` + number(extensionMaxCount, "valueString", `"canary"`) + "]"), "channel", "backport-max-count"},
		"heartbeat, no topic":    {plain(`,"extension":[` + number(extensionHeartbeat, "valueUnsignedInt", 60) + "]"), "channel", "topic"},
		"end of a day":           {with(`"reason"`, `"end":"2026-01-01","reason"`), "end", "offset"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			doc, issues := tree.Parse([]byte(test.body))
			require.Empty(t, issues)
			s, issues := DecodeSubscription(doc, "", "")
			require.Nil(t, s)
			require.NotEmpty(t, issues)
			require.Equal(t, "Subscription."+test.at, issues[0].Expression)
			require.Contains(t, issues[0].Details, test.text)
			if name != "unknown parameter" { // whose name is told
				require.NotContains(t, strings.ToLower(issues[0].String()), "canary")
			}
		})
	}
}

// The status is the service's; every other byte is the client's.
func TestSetSubscriptionStatus(t *testing.T) {
	t.Parallel()
	at := time.Date(2026, 3, 4, 9, 0, 0, 0, time.UTC)
	doc, _ := tree.Parse([]byte(`{"resourceType":"Subscription", "status" : "requested","criteria":"Task?","x":1.30}`))
	got, err := SetSubscriptionStatus(doc, Version{ID: "s", Number: 2, At: at}, SubscriptionError, "the endpoint answered 410")
	require.NoError(t, err)
	require.Equal(t, `{"resourceType":"Subscription","id":"s","meta":{"versionId":"2","lastUpdated":"2026-03-04T09:00:00Z"}, "status" : "error","error":"the endpoint answered 410","criteria":"Task?","x":1.30}`, string(got))
	doc, _ = tree.Parse(got)
	got, err = SetSubscriptionStatus(doc, Version{ID: "s", Number: 3, At: at}, SubscriptionError, "later")
	require.NoError(t, err)
	require.Equal(t, 1, strings.Count(string(got), `"error":"later"`))
	require.NotContains(t, string(got), "410")
	doc, _ = tree.Parse(got)
	got, err = SetSubscriptionStatus(doc, Version{ID: "s", Number: 4, At: at}, SubscriptionActive, "")
	require.NoError(t, err)
	require.Contains(t, string(got), `"error":"later"`, "the last error stays, R4 Subscription.error")
	doc, _ = tree.Parse([]byte(`{"resourceType":"Subscription"}`))
	_, err = SetSubscriptionStatus(doc, Version{ID: "s"}, SubscriptionOff, "")
	require.Error(t, err)
}

func TestTopicsAreInOrderAndServed(t *testing.T) {
	t.Parallel()
	require.True(t, slices.IsSortedFunc(Topics(), func(a, b Topic) int { return strings.Compare(a.URL, b.URL) }))
	for _, topic := range Topics() {
		require.NotEmpty(t, search.Params(topic.Type), topic.URL)
		require.NotEmpty(t, topic.Description)
	}
}

// The Bundles of all kinds and contents are R4 by an independent reader, with request and
// response in every entry (R4 Bundle bdl-3, bdl-4, hl7.org/fhir/R4/bundle.html) and the
// Parameters first, as the guide's notification profile wants.
func TestNotifications(t *testing.T) {
	t.Parallel()
	reader, err := jsonformat.NewUnmarshaller("UTC", fhirversion.R4)
	require.NoError(t, err)
	at := time.Date(2026, 3, 4, 9, 0, 0, 123456000, time.UTC)
	told := []NotifiedEvent{
		{Number: 7, At: at, Resource: "Task/1", Version: 1, Body: []byte(`{"resourceType":"Task","id":"1","status":"ready","intent":"order"}`)},
		{Number: 8, At: at}, // which may not be seen any more
	}
	for _, c := range []Content{ContentEmpty, ContentIDOnly, ContentFull} {
		for _, kind := range []NotificationKind{NotificationHandshake, NotificationHeartbeat, NotificationEvents, QueryStatus, QueryEvents} {
			n := Notification{
				Base: "https://h.example/fhir", Subscription: "s", Topic: taskTopic, Status: SubscriptionActive, Kind: kind, Content: c, Events: 8, At: at,
			}
			if kind == NotificationEvents || kind == QueryEvents {
				n.Told = told
			}
			body, err := RenderNotification(n)
			require.NoError(t, err)
			_, err = reader.Unmarshal(body)
			require.NoError(t, err, string(body))
			doc, issues := tree.Parse(body)
			require.Empty(t, issues)
			require.Equal(t, "history", doc.Root.Str("type"))
			first := doc.Root.Get("entry").At(0)
			require.Equal(t, "Parameters", first.Get("resource").Str("resourceType"))
			require.Equal(t, "Subscription/s/$status", first.Get("request").Str("url"))
			for e := range doc.Root.Get("entry").Items() {
				require.NotEmpty(t, e.Get("request").Str("method"))
				require.NotEmpty(t, e.Get("response").Str("status"))
			}
			entries := 1
			if c == ContentFull && n.Told != nil {
				entries = 2
			}
			require.Equal(t, entries, doc.Root.Get("entry").Len())
			require.Equal(t, c != ContentEmpty, strings.Contains(string(body), taskTopic), "SHOULD NOT be present when using empty payloads")
			require.Equal(t, c != ContentEmpty && n.Told != nil, strings.Contains(string(body), "Task/1"))
			require.Equal(t, n.Told != nil, strings.Contains(string(body), `{"name":"event-number","valueString":"7"}`))
		}
	}
}
