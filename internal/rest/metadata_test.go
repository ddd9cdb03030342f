package rest_test

import (
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/google/fhir/go/fhirversion"
	"github.com/google/fhir/go/jsonformat"
	"github.com/stretchr/testify/require"

	"fhirsvc/api"
	"fhirsvc/internal/fhir"
	"fhirsvc/internal/fhir/definitions"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/profiles"
	"fhirsvc/internal/fhir/tree"
	"fhirsvc/internal/rest"
)

// An independent reader of R4, github.com/google/fhir, takes the statement and the
// Bundles without complaint.
func TestAnotherReaderAcceptsWhatIsServed(t *testing.T) {
	t.Parallel()
	reader, err := jsonformat.NewUnmarshaller("UTC", fhirversion.R4)
	require.NoError(t, err)
	w := ward(t)
	taskList := w.get("/fhir/Task?_count=1&status=ready")
	for name, a := range map[string]answer{
		"CapabilityStatement":  w.get("/fhir/metadata"),
		"searchset":            taskList,
		"next page":            w.get(strings.TrimPrefix(taskList.link("next"), w.server.URL)),
		"empty searchset":      w.get("/fhir/Task?status=failed"),
		"lenient searchset":    w.get("/fhir/Task?x=y", "Prefer: handling=lenient"),
		"history":              w.get("/fhir/Task/a/_history"),
		"OperationOutcome":     w.get("/fhir/Task/none"),
		"refused parameters":   w.get("/fhir/Task?a=b&due-date=x&status:of=y"),
		"batch-response":       w.send("POST", "/fhir", bundleOf("batch", entryOf("GET", "Task/a", ""), entryOf("GET", "Task/none", ""))),
		"transaction-response": w.send("POST", "/fhir", bundleOf("transaction", entryOf("GET", "Task/a", ""))),
	} {
		_, err := reader.Unmarshal([]byte(a.text))
		require.NoError(t, err, "%s: %s", name, a.text)
	}
	_, err = reader.Unmarshal([]byte(`{"resourceType":"CapabilityStatement","status":"no"}`))
	require.Error(t, err, "the reader is strict")
}

func TestMetadata(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	a := w.get("/fhir/metadata")
	require.Equal(t, 200, a.StatusCode)
	d := a.doc
	require.Equal(t, "2025-03-01T08:00:00Z", d.Str("date"), "of the build, not of the request")
	require.Equal(t, "1.2.3", d.Get("software").Str("version"))
	require.Equal(t, w.server.URL+"/fhir", d.Get("implementation").Str("url"))
	require.Equal(t, "4.0.1", d.Str("fhirVersion"))
	require.Equal(t, "instance", d.Str("kind"))
	require.Equal(t, fhir.CanonicalCapability+"|"+fhir.Published, d.Get("instantiates").At(0).Text)
	require.Equal(t, fhir.CanonicalGuide+"|"+fhir.Published, d.Get("implementationGuide").At(0).Text)
	server := d.Get("rest").At(0)
	require.Equal(t, "server", server.Str("mode"))
	require.Equal(t, "process-message", server.Get("operation").At(0).Str("name"))
	require.Nil(t, d.Get("messaging"), "its endpoint would have to be true")
	require.Equal(t, "false", server.Get("security").Get("cors").Text)

	forwarded := w.get("/fhir/metadata", "X-Forwarded-Proto: javascript", "X-Forwarded-Host: evil.example")
	require.Equal(t, a.text, forwarded.text, "no header of a client is believed")

	tag := a.Header.Get("ETag")
	require.Equal(t, 304, w.get("/fhir/metadata", "If-None-Match: "+tag).StatusCode)
	other := newWorld(t, func(o *rest.Options) { o.BaseURL, o.Built = "https://h.example/fhir", morning.Add(time.Hour) })
	require.NotEqual(t, tag, other.get("/fhir/metadata").Header.Get("ETag"))
	require.Contains(t, other.get("/fhir/metadata").text, "https://h.example/fhir")
}

// Each type names the project's profiles of it, and no other.
func TestMetadataNamesTheProfiles(t *testing.T) {
	t.Parallel()
	d := newWorld(t).get("/fhir/metadata").doc
	named := 0
	for r := range d.Get("rest").At(0).Get("resource").Items() {
		for url := range r.Get("supportedProfile").Items() {
			if url.Text == fhir.ProfileSubscription { // of the guide, not of the project
				require.Equal(t, "Subscription", r.Str("type"))
				continue
			}
			p := profiles.Find(url.Text)
			require.NotNil(t, p, url.Text)
			require.Equal(t, r.Str("type"), p.Type)
			named++
		}
	}
	ofOthers := 3 // of messages and extensions, which are not served: Bundle, MessageHeader, Extension
	require.Equal(t, len(profiles.All())-ofOthers, named)
}

// The topics are named at Subscription, by the guide's extension, and the guide's own
// statement for R4 servers among those that are fulfilled.
func TestMetadataNamesTheTopics(t *testing.T) {
	t.Parallel()
	a := newWorld(t).get("/fhir/metadata")
	sound(t, a.text)
	var named []string
	for r := range a.doc.Get("rest").At(0).Get("resource").Items() {
		for x := range r.Get("extension").Items() {
			require.Equal(t, "Subscription", r.Str("type"))
			require.Equal(t, fhir.ExtensionTopic, x.Str("url"))
			named = append(named, x.Str("valueCanonical"))
		}
	}
	require.Len(t, named, len(fhir.Topics()))
	for i, topic := range fhir.Topics() {
		require.Equal(t, topic.URL, named[i])
	}
	require.Contains(t, a.text, fhir.CapabilitySubscriptions)
}

// request is how an interaction looks on the wire, hl7.org/fhir/R4/http.html.
func request(resourceType, interaction string) (method, path, body, contentType string) {
	body = `{"resourceType":"` + resourceType + `","id":"x"}`
	contentType = "Content-Type: application/fhir+json"
	switch interaction {
	case "read":
		return "GET", "/x", "", contentType
	case "vread":
		return "GET", "/x/_history/1", "", contentType
	case "history-instance":
		return "GET", "/x/_history", "", contentType
	case "search-type":
		return "GET", "", "", contentType
	case "create":
		return "POST", "", `{"resourceType":"` + resourceType + `"}`, contentType
	case "update":
		return "PUT", "/x", body, contentType
	case "patch":
		return "PATCH", "/x", `[{"op":"test","path":"/id","value":"x"}]`, "Content-Type: application/json-patch+json"
	case "delete":
		return "DELETE", "/x", "", contentType
	case "history-type":
		return "GET", "/_history", "", contentType
	}
	panic("no such interaction: " + interaction)
}

// The CapabilityStatement is held to its word: every interaction it lists answers,
// every other of R4's is refused, for every type of R4.
func TestEveryInteractionIsAsAdvertised(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	advertised := map[string]map[string]bool{}
	for r := range w.get("/fhir/metadata").doc.Get("rest").At(0).Get("resource").Items() {
		advertised[r.Str("type")] = map[string]bool{}
		for i := range r.Get("interaction").Items() {
			advertised[r.Str("type")][i.Str("code")] = true
		}
		w.put(resource(r.Str("type"), "x", 1, `{"resourceType":"`+r.Str("type")+`","id":"x"}`))
	}
	require.Len(t, advertised, 22)
	checkWrites(t, advertised)
	all := []string{"read", "vread", "history-instance", "search-type", "create", "update", "patch", "delete", "history-type"}
	types := 0
	for _, name := range definitions.R4().TypeNames() {
		if r4 := definitions.R4().Type(name); r4.Kind != definitions.Resource || r4.Abstract {
			continue
		}
		types++
		for _, i := range all {
			method, path, body, contentType := request(name, i)
			a := w.send(method, "/fhir/"+name+path, body, contentType)
			switch {
			case advertised[name][i]:
				require.Contains(t, []int{200, 201}, a.StatusCode, "%s %s: %s", name, i, a.text)
			case advertised[name] == nil:
				a.refused(t, 404, outcome.CodeNotSupported)
			default:
				a.refused(t, 405, outcome.CodeNotSupported)
			}
		}
	}
	require.Greater(t, types, 140)
}

// checkWrites: what is written is what bedside and orders need, and no more.
func checkWrites(t *testing.T, advertised map[string]map[string]bool) {
	t.Helper()
	got := map[string][]string{}
	for name, interactions := range advertised {
		for _, i := range []string{"create", "update", "patch"} {
			if interactions[i] {
				got[name] = append(got[name], i)
			}
		}
		for _, i := range []string{"read", "vread", "history-instance", "history-type", "search-type"} {
			require.True(t, interactions[i], "%s %s", name, i)
		}
	}
	require.Equal(t, map[string][]string{
		"Observation": {"create", "update"}, "Task": {"update", "patch"},
		"ServiceRequest": {"create"}, "MedicationAdministration": {"create", "update"}, "Subscription": {"create", "update", "patch"},
		"QuestionnaireResponse": {"create", "update"},
	}, got)
}

// Every search parameter that is advertised is taken, and its definition is the
// published one or our own.
func TestEverySearchParameterIsAsAdvertised(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	values := map[string]string{
		"token": "urn:s|a", "reference": "Patient/x", "date": "ge2025-03-01", "string": "a", "uri": "urn:a",
		"quantity":           "ge5.4|http://unitsofmeasure.org|mL",
		"code-value-concept": "a$b", "code-value-date": "a$2025", "code-value-quantity": "a$gt5||mL",
	}
	tried := 0
	for r := range w.get("/fhir/metadata").doc.Get("rest").At(0).Get("resource").Items() {
		for p := range r.Get("searchParam").Items() {
			tried++
			value := values[p.Str("type")]
			if p.Str("type") == "composite" {
				value = values[p.Str("name")]
			}
			a := w.get("/fhir/" + r.Str("type") + "?" + p.Str("name") + "=" + value)
			require.Equal(t, 200, a.StatusCode, a.text)
			require.Contains(t, a.link("self"), p.Str("name")+"=")
			checkDefinition(t, p)
		}
		w.get("/fhir/"+r.Str("type")+"?nothing=1").refused(t, 400, outcome.CodeNotSupported)
	}
	require.Greater(t, tried, 250)
}

func checkDefinition(t *testing.T, p *tree.Node) {
	t.Helper()
	if strings.HasPrefix(p.Str("definition"), "https://fhirsvc.example/fhir/SearchParameter/") {
		return
	}
	for _, published := range definitions.R4().SearchParameters() {
		if published.URL == p.Str("definition") {
			require.Equal(t, published.Code, p.Str("name"))
			require.Equal(t, published.Type, p.Str("type"))
			return
		}
	}
	t.Fatalf("no published parameter is %s", p.Str("definition"))
}

func TestOperationsAndSystemInteractionsAnswer(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	server := w.get("/fhir/metadata").doc.Get("rest").At(0)
	for i := range server.Get("interaction").Items() {
		a := w.send(http.MethodPost, "/fhir", bundleOf(i.Str("code")))
		require.Equal(t, 200, a.StatusCode)
		require.Equal(t, i.Str("code")+"-response", a.doc.Str("type"))
	}
	require.Equal(t, advertisedOperations(server), routedOperations())
	for _, r := range rest.Routes() {
		if r.Operation == "" {
			continue
		}
		a := w.send(r.Methods[0], operationAddress(r), operationBody(r))
		require.True(t, a.StatusCode == 200 || a.StatusCode == 404 && strings.Contains(r.Path, ":id"), "%s: %s", r.Path, a.text)
	}
	require.Equal(t, 200, w.send(http.MethodPost, "/fhir/$process-message?async=false", "{}").StatusCode, "which it is anyway")
	w.send(http.MethodPost, "/fhir/$validate", "{}").refused(t, 404, outcome.CodeNotFound)
	w.get("/fhir?_type=Task").refused(t, 405, outcome.CodeNotSupported)
	w.get("/fhir/_history").refused(t, 404, outcome.CodeNotFound)
}

// advertisedOperations are those of a CapabilityStatement: type, name and definition.
func advertisedOperations(server *tree.Node) map[[3]string]bool {
	out := map[[3]string]bool{}
	for o := range server.Get("operation").Items() {
		out[[3]string{"", o.Str("name"), o.Str("definition")}] = true
	}
	for r := range server.Get("resource").Items() {
		for o := range r.Get("operation").Items() {
			out[[3]string{r.Str("type"), o.Str("name"), o.Str("definition")}] = true
		}
	}
	return out
}

func routedOperations() map[[3]string]bool {
	out := map[[3]string]bool{}
	for _, r := range rest.Routes() {
		if r.Operation != "" {
			out[[3]string{r.Type, r.Operation, r.Definition}] = true
		}
	}
	return out
}

// operationAddress is where an operation is asked, with what it must be told.
func operationAddress(r rest.Route) string {
	values := map[string]string{"dateTime": "2026-01-01T00:00:00Z", "instant": "2026-01-01T00:00:00Z", "integer": "1", "string": "x", "uri": "urn:x", "id": "x"}
	query := url.Values{}
	for _, p := range r.Query {
		if p.Required {
			query.Set(p.Name, values[p.Type])
		}
	}
	return strings.Replace(r.Path, ":id", "x", 1) + "?" + query.Encode()
}

func operationBody(r rest.Route) string {
	if r.Takes == "" {
		return ""
	}
	return `{"resourceType":"` + r.Takes + `"}`
}

// What our own OperationDefinitions say of their parameters is what the table says.
func TestOwnOperationsAreDefined(t *testing.T) {
	t.Parallel()
	defined := map[string]*tree.Node{}
	for _, body := range api.Conformance() {
		if doc, _ := tree.Parse(body); doc.Root.Str("resourceType") == "OperationDefinition" {
			defined[doc.Root.Str("url")] = doc.Root
		}
	}
	own := 0
	for _, r := range rest.Routes() {
		d := defined[r.Definition]
		if d == nil {
			require.NotContains(t, r.Definition, "fhirsvc.example", "it is nowhere under api")
			continue
		}
		own++
		require.Equal(t, d.Str("code"), r.Operation)
		require.Equal(t, d.Get("instance").Text == "true", strings.Contains(r.Path, ":id"))
		query := map[string]rest.Parameter{}
		for _, p := range r.Query {
			query[p.Name] = p
		}
		for p := range d.Get("parameter").Items() {
			if p.Str("use") != "in" || r.Takes != "" {
				continue
			}
			require.Equal(t, p.Str("type"), query[p.Str("name")].Type, p.Str("name"))
			require.Equal(t, p.Get("min").Text == "1", query[p.Str("name")].Required, p.Str("name"))
			delete(query, p.Str("name"))
		}
		require.Empty(t, query, r.Path)
	}
	require.Equal(t, len(defined), own)
}
