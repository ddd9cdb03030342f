package fhir

import (
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/search"
	"fhirsvc/internal/fhir/tree"
)

// DecodeSubscription reads a Subscription, R4's own (hl7.org/fhir/R4/subscription.html) or
// a topic-based one. Base is the service's own URL, under which references are local.
// The result is nil when there is an error among the issues: what would not be honoured
// is refused, with business-rule (the guide's conformance page; nothing is dropped in
// silence).
func DecodeSubscription(doc *tree.Document, path, base string) (*Subscription, []outcome.Issue) {
	r := newReader(doc, doc.Root, path)
	s := &Subscription{Status: SubscriptionStatus(r.root.Str("status")), Error: r.root.Str("error")}
	if n := r.root.Get("end"); n != nil {
		var ok bool
		if s.End, ok = readTime(n); !ok {
			r.fault(outcome.CodeInvalid, "end", n, "an instant has a time and an offset")
		}
	}
	r.criteria(s, base)
	r.channel(s)
	if outcome.HasErrors(r.issues) {
		return nil, r.issues
	}
	return s, nil
}

// SubscriptionType gives the resource type that a Subscription's criteria are about, as far
// as they can be read; "" else.
func SubscriptionType(body []byte) string {
	doc, _ := tree.Parse(body)
	if doc == nil {
		return ""
	}
	criteria := doc.Root.Str("criteria")
	if t := findTopic(criteria); t != nil {
		return t.Type
	}
	kind, _, _ := strings.Cut(criteria, "?")
	if len(search.Params(kind)) == 0 {
		return ""
	}
	return kind
}

func findTopic(canonical string) *Topic {
	url, _, _ := strings.Cut(canonical, "|")
	all := Topics()
	if i := slices.IndexFunc(all, func(t Topic) bool { return t.URL == url }); i >= 0 {
		return &all[i]
	}
	return nil
}

// untold are the types of which no change is told: the audit trail, Subscriptions, and
// what never changes.
func untold() []string {
	return []string{"AuditEvent", "CodeSystem", "PlanDefinition", "Questionnaire", "SearchParameter", "Subscription"}
}

// criteria reads what is to be told: a topic with its filters, or a search.
func (r *reader) criteria(s *Subscription, base string) {
	n := r.root.Get("criteria")
	text := r.root.Str("criteria")
	filters := extensions(r.root.Companion("criteria"), extensionFilter)
	if kind, _, _ := strings.Cut(text, "?"); !strings.Contains(kind, ":") { // a topic is a URI
		if len(filters) > 0 {
			r.fault(outcome.CodeBusinessRule, "criteria", n, "filter extensions go with a topic; put the parameters into the criteria")
		}
		r.searchCriteria(s, n, text, "", base)
		return
	}
	topic := findTopic(text)
	if topic == nil {
		r.fault(outcome.CodeBusinessRule, "criteria", n, "this topic is not served; /metadata names those that are")
		return
	}
	s.Topic, s.Query.Type = text, topic.Type
	for _, f := range filters {
		r.searchCriteria(s, f, f.Str("valueString"), topic.Type, base)
	}
}

// searchCriteria reads Type?parameters. With several of them all must be met.
func (r *reader) searchCriteria(s *Subscription, n *tree.Node, text, want, base string) {
	kind, query, asks := strings.Cut(text, "?")
	if want != "" && kind != want {
		r.fault(outcome.CodeBusinessRule, "criteria", n, "a filter of this topic begins with %s?", want)
		return
	}
	if len(search.Params(kind)) == 0 || slices.Contains(untold(), kind) {
		r.fault(outcome.CodeBusinessRule, "criteria", n, "criteria are a type whose changes are told, a question mark and search parameters, such as Task?status=ready")
		return
	}
	params, err := url.ParseQuery(query)
	if err != nil || !asks && want != "" {
		r.fault(outcome.CodeBusinessRule, "criteria", n, "what follows the question mark is not a query")
		return
	}
	for name := range params {
		if strings.HasPrefix(name, "_") && !slices.Contains([]string{"_id", "_lastUpdated", "_tag", "_profile", "_security", "_source"}, strings.Split(name, ":")[0]) {
			r.fault(outcome.CodeBusinessRule, "criteria", n, "%s is not for criteria: they only choose", name)
			return
		}
	}
	q, _, issues := search.Parse(kind, params, search.Options{Base: base})
	for _, i := range issues {
		r.fault(outcome.CodeBusinessRule, "criteria", n, "%s", i.Details)
	}
	if len(q.Joined()) > 0 {
		r.fault(outcome.CodeBusinessRule, "criteria", n, "criteria are about the resource itself, not about others that it refers to")
	}
	s.Query.Type, s.Query.All = kind, append(s.Query.All, q.All...)
}

// channel reads where and how it is to be told.
func (r *reader) channel(s *Subscription) {
	c := r.root.Get("channel")
	if c.Str("type") != "rest-hook" {
		r.fault(outcome.CodeBusinessRule, "channel.type", c.Get("type"), "rest-hook alone is served")
	}
	if len(extensions(c.Companion("type"), extensionChannel)) > 0 {
		r.fault(outcome.CodeBusinessRule, "channel.type", c.Companion("type"), "no other type of channel is served")
	}
	s.Endpoint = c.Str("endpoint")
	u, err := url.Parse(s.Endpoint)
	switch {
	case s.Endpoint == "":
		r.fault(outcome.CodeBusinessRule, "channel.endpoint", c, "a rest-hook needs an endpoint")
	case err != nil || u.Scheme != "https" && u.Scheme != "http" || u.Hostname() == "" || u.User != nil || u.Fragment != "":
		r.fault(outcome.CodeBusinessRule, "channel.endpoint", c.Get("endpoint"), "an endpoint is an absolute https URL without a user and a fragment")
	}
	r.payload(s, c)
	r.headers(s, c)
	s.Timeout = time.Duration(r.bounded(c, extensionTimeout, "valueUnsignedInt", 1, int(subscriptionMaxTimeout/time.Second), int(subscriptionTimeout/time.Second))) * time.Second
	s.Heartbeat = time.Duration(r.bounded(c, extensionHeartbeat, "valueUnsignedInt", int(subscriptionHeartbeat/time.Second), 7*24*3600, 0)) * time.Second
	s.MaxCount = r.bounded(c, extensionMaxCount, "valuePositiveInt", 1, subscriptionMaxCount, 1)
	if s.Topic == "" && (s.Heartbeat > 0 || s.MaxCount > 1) {
		r.fault(outcome.CodeBusinessRule, "channel", c, "heartbeats and several events at once go with a topic")
	}
}

// payload reads how much is told.
func (r *reader) payload(s *Subscription, c *tree.Node) {
	payload := c.Str("payload")
	if payload != "" && payload != ContentType {
		r.fault(outcome.CodeBusinessRule, "channel.payload", c.Get("payload"), "%s alone is served, or no payload", ContentType)
	}
	asked := extensions(c.Companion("payload"), extensionContent)
	switch {
	case s.Topic == "" && len(asked) > 0:
		r.fault(outcome.CodeBusinessRule, "channel.payload", c.Companion("payload"), "the content extension goes with a topic")
	case s.Topic == "" && payload == "":
		s.Content = ContentCall
	case s.Topic == "":
		s.Content = ContentUpdate
	case len(asked) == 0:
		s.Content = ContentIDOnly
	default:
		s.Content = Content(asked[0].Str("valueCode"))
		if !slices.Contains([]Content{ContentEmpty, ContentIDOnly, ContentFull}, s.Content) || len(asked) > 1 {
			r.fault(outcome.CodeBusinessRule, "channel.payload", asked[0], "the content is one of empty, id-only and full-resource")
		}
	}
}

// ownHeaders are those that the connection or the message itself sets.
func ownHeaders() []string {
	return []string{
		"accept-encoding", "connection", "content-encoding", "content-length", "content-type", "expect", "host", "keep-alive",
		"te", "trailer", "transfer-encoding", "upgrade",
	}
}

// headers reads lines of the form "Name: value" (RFC 9110 section 5). What they say may be
// a secret: no text of a fault quotes it.
func (r *reader) headers(s *Subscription, c *tree.Node) {
	size := 0
	for n := range c.Get("header").Items() {
		name, value, ok := strings.Cut(n.Text, ":")
		name, value = strings.TrimSpace(name), strings.TrimSpace(value)
		size += len(n.Text)
		switch {
		case !ok || !isHeaderName(name) || !isHeaderValue(value):
			r.fault(outcome.CodeBusinessRule, "channel.header", n, "a header is a name, a colon and a value in visible ASCII")
		case slices.Contains(ownHeaders(), strings.ToLower(name)) || strings.HasPrefix(strings.ToLower(name), "proxy-"):
			r.fault(outcome.CodeBusinessRule, "channel.header", n, "this header is set by the service itself")
		}
		s.Headers = append(s.Headers, [2]string{name, value})
	}
	if len(s.Headers) > subscriptionHeaders || size > subscriptionHeaderSize {
		r.fault(outcome.CodeBusinessRule, "channel.header", c, "at most %d headers of together %d bytes are sent", subscriptionHeaders, subscriptionHeaderSize)
	}
}

// isHeaderName reports whether a text is a token of RFC 9110 section 5.6.2.
func isHeaderName(s string) bool {
	const marks = "!#$%&'*+-.^_`|~"
	return s != "" && !strings.ContainsFunc(s, func(c rune) bool {
		letter := c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c >= '0' && c <= '9'
		return !letter && !strings.ContainsRune(marks, c)
	})
}

func isHeaderValue(s string) bool {
	return !strings.ContainsFunc(s, func(c rune) bool { return (c < ' ' || c > '~') && c != '\t' })
}

// bounded reads the number of an extension of the channel; otherwise where there is none.
func (r *reader) bounded(c *tree.Node, extension, member string, least, most, otherwise int) int {
	found := extensions(c, extension)
	if len(found) == 0 {
		return otherwise
	}
	n, err := 0, error(nil)
	if v := found[0].Get(member); v.Is(tree.Number) {
		n, err = strconv.Atoi(v.Text)
	}
	if err != nil || n < least || n > most || len(found) > 1 {
		name := extension[strings.LastIndexByte(extension, '/')+1:]
		r.fault(outcome.CodeBusinessRule, "channel", found[0], "%s is one number from %d to %d", name, least, most)
	}
	return n
}

// extensions gives the extensions of an element that have this URL.
func extensions(n *tree.Node, url string) []*tree.Node {
	var found []*tree.Node
	for x := range n.Get("extension").Items() {
		if x.Str("url") == url {
			found = append(found, x)
		}
	}
	return found
}
