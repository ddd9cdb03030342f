package rest_test

import (
	"encoding/base64"
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/go-jose/go-jose/v4"
	"github.com/stretchr/testify/require"

	"fhirsvc/internal/episode"
	"fhirsvc/internal/fhir"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/rest"
	"fhirsvc/internal/rest/smart/smarttest"
)

// operation is one thing that a client can ask for. Its scope is the smallest one that
// allows it; entry is how a Bundle asks for it, "" when none can.
type operation struct {
	name, method, path, body, contentType string
	scope                                 string
	entry                                 string
	code                                  string // of the AuditEvent
	resourceType                          string
	writes                                bool
}

// scopeLetters are those of SMART App Launch 2.2.
func scopeLetters() map[string]string {
	return map[string]string{
		"read": "r", "vread": "r", "history-instance": "r", "history-type": "s", "search-type": "s", "create": "c", "update": "u", "patch": "u",
	}
}

// operations are made from the CapabilityStatement, about the resource with this id.
func operations(w *secured, id string) []operation {
	var all []operation
	for r := range w.get("/fhir/metadata").doc.Get("rest").At(0).Get("resource").Items() {
		name := r.Str("type")
		for i := range r.Get("interaction").Items() {
			code := i.Str("code")
			method, path, body, contentType := request(name, code)
			path, body = strings.Replace(path, "/x", "/"+id, 1), strings.Replace(body, `"x"`, `"`+id+`"`, 1)
			o := operation{
				name: name + " " + code, method: method, path: "/fhir/" + name + path, body: body, contentType: contentType,
				scope: "system/" + name + "." + scopeLetters()[code], code: code, resourceType: name,
				writes: method != "GET",
			}
			if name == "QuestionnaireResponse" && o.writes { // it makes and changes Observations
				o.scope += " system/Observation." + scopeLetters()[code]
			}
			resource := body
			if code == "patch" {
				resource = `{"resourceType":"Binary","contentType":"application/json-patch+json","data":"` + base64.StdEncoding.EncodeToString([]byte(body)) + `"}`
			}
			o.entry = entryOf(method, name+path, resource)
			all = append(all, o)
		}
		all = append(all, operation{
			name: name + " search by form", method: "POST", path: "/fhir/" + name + "/_search", body: "_id=" + id,
			contentType: "Content-Type: application/x-www-form-urlencoded",
			scope:       "system/" + name + ".s", code: "search-type", resourceType: name,
		})
	}
	fhirJSON := "Content-Type: application/fhir+json"
	return append(all,
		operation{
			name: "$process-message", method: "POST", path: "/fhir/$process-message", body: event(labA, "P-9", "9"), contentType: fhirJSON,
			scope: "system/Procedure.c system/Patient.c system/Encounter.c system/Observation.c", code: "operation", resourceType: "Bundle", writes: true,
		},
		operation{
			name: "$status of all", method: "GET", path: "/fhir/Subscription/$status", contentType: fhirJSON,
			scope: "system/Subscription.s", code: "search-type", resourceType: "Subscription",
		},
		operation{
			name: "$status", method: "GET", path: "/fhir/Subscription/" + id + "/$status", contentType: fhirJSON,
			scope: "system/Subscription.r", code: "read", resourceType: "Subscription",
		},
		operation{
			name: "$events", method: "GET", path: "/fhir/Subscription/" + id + "/$events", contentType: fhirJSON,
			scope: "system/Subscription.r", code: "read", resourceType: "Subscription",
		},
		operation{
			name: "$workload", method: "GET", path: "/fhir/Task/$workload?from=2026-01-01T00:00:00Z", contentType: fhirJSON,
			scope: "system/Task.s", code: "search-type", resourceType: "Task",
		},
		operation{
			name: "$apply", method: "POST", path: "/fhir/PlanDefinition/" + id + "/$apply", contentType: fhirJSON,
			body:  `{"resourceType":"Parameters","parameter":[{"name":"subject","valueString":"Patient/x"}]}`,
			scope: reads([]string{"PlanDefinition", "Patient"}), code: "read", resourceType: "PlanDefinition",
		},
		operation{
			name: "$handover", method: "GET", path: "/fhir/CarePlan/" + id + "/$handover", contentType: fhirJSON,
			scope: reads(episode.HandoverTypes()), code: "read", resourceType: "CarePlan",
		},
		operation{
			name: "$timeline", method: "GET", path: "/fhir/CarePlan/" + id + "/$timeline", contentType: fhirJSON,
			scope: reads(episode.TimelineTypes()), code: "read", resourceType: "CarePlan",
		})
}

// reads is the scope to read each of the types.
func reads(types []string) string {
	var scopes []string
	for _, resourceType := range types {
		scopes = append(scopes, "system/"+resourceType+".r")
	}
	return strings.Join(scopes, " ")
}

// fault is one thing that is wrong with a token, and where it is written that it is.
type fault struct {
	name, source, header string
	status               int
	code                 outcome.Code
}

func faults(w *secured) []fault {
	i := w.issuer
	bearer := func(token string) string { return "Authorization: Bearer " + token }
	at := func(d time.Duration) int64 { return time.Now().Add(d).Unix() }
	none := base64.RawURLEncoding.EncodeToString([]byte(`{"alg":"none"}`)) + "." + base64.RawURLEncoding.EncodeToString([]byte(`{"iss":"`+i.URL+`"}`)) + "."
	return []fault{
		{"no token", "RFC 6750 section 3.1", "", 401, outcome.CodeLogin},
		{"another scheme", "RFC 6750 section 2.1", "Authorization: Basic dTpw", 401, outcome.CodeLogin},
		{"expired", "RFC 6750 section 3.1", w.as(smarttest.Claims{"exp": at(-2 * time.Minute)}), 401, outcome.CodeExpired},
		{"not yet", "RFC 7519 section 4.1.5", w.as(smarttest.Claims{"nbf": at(2 * time.Minute)}), 401, outcome.CodeUnknown},
		{"wrong audience", "RFC 8725 section 3.9", w.as(smarttest.Claims{"aud": "https://other.example/fhir"}), 401, outcome.CodeUnknown},
		{"wrong issuer", "RFC 8725 section 3.8", w.as(smarttest.Claims{"iss": "https://other.example"}), 401, outcome.CodeUnknown},
		{"wrong algorithm", "RFC 8725 section 3.1", bearer(i.Sign(jose.RS256, i.RSA, map[string]any{"kid": "rsa-1"}, i.Claims(nil))), 401, outcome.CodeUnknown},
		{"none", "RFC 8725 section 3.2", bearer(none), 401, outcome.CodeUnknown},
		{"no scope", "SMART App Launch 2.2, Scopes", w.as(smarttest.Claims{"scope": nil}), 403, outcome.CodeForbidden},
		{"the scopes of others", "SMART App Launch 2.2, Scopes", w.as(smarttest.Claims{"scope": "system/Basic.cruds openid"}), 403, outcome.CodeForbidden},
		{"a patient's scope", "SMART App Launch 2.2, Scopes", w.as(smarttest.Claims{"scope": "patient/*.cruds"}), 403, outcome.CodeForbidden},
	}
}

// Every route and operation, with every fault, is refused with the right status, in words
// that are R4, with the challenge of RFC 6750 section 3, and is recorded.
func TestEveryOperationRefusesEveryFault(t *testing.T) {
	t.Parallel()
	w := newSecured(t)
	all := operations(w, "x")
	require.Greater(t, len(all), 90)
	for _, r := range rest.Routes() { // one that is added to the table has its line here too
		require.True(t, r.Open || r.Interaction == "transaction" || slices.ContainsFunc(all, func(o operation) bool {
			path, _, _ := strings.Cut(o.path, "?")
			return o.method == r.Methods[0] && path == strings.NewReplacer(":id", "x", ":version", "1").Replace(r.Path)
		}), "%s %s", r.Methods[0], r.Path)
	}
	refusals := 0
	for _, f := range faults(w) {
		for _, o := range all {
			refusals++
			headers := []string{o.contentType}
			if f.header != "" {
				headers = append(headers, f.header)
			}
			a := w.send(o.method, o.path, o.body, headers...)
			a.refused(t, f.status, f.code)
			sound(t, a.text)
			challenge := a.Header.Get("WWW-Authenticate")
			require.True(t, strings.HasPrefix(challenge, "Bearer realm="), "%s %s: %s", o.name, f.name, challenge)
			require.Equal(t, f.code == outcome.CodeUnknown || f.code == outcome.CodeExpired, strings.Contains(challenge, `error="invalid_token"`), f.source)
			require.Equal(t, f.status == 403, strings.Contains(challenge, `error="insufficient_scope", scope="system/`), f.source)
			noted := w.audit.taken()
			require.Len(t, noted, 1, "%s %s", o.name, f.name)
			require.True(t, noted[0].Alert)
			require.Equal(t, fhir.AccessRefused, noted[0].Outcome)
			require.Equal(t, string(f.code), noted[0].Why)
			require.Equal(t, o.code, noted[0].Interaction, o.name)
			require.Equal(t, o.resourceType, noted[0].Type, o.name)
			require.Equal(t, f.status == 403, noted[0].Client != "", "only a sound token names its client")
		}
	}
	require.Greater(t, refusals, 1000)
	require.NotContains(t, w.log.String(), "lost by a fault", "every record is valid")
	require.NotEmpty(t, w.trail())
	t.Logf("%d refusals", refusals)
}

// The smallest scope is enough, and each letter less is not.
func TestTheSmallestScopeIsEnough(t *testing.T) {
	t.Parallel()
	w := newSecured(t)
	for _, o := range operations(w, "x") {
		a := w.send(o.method, o.path, o.body, o.contentType, w.as(smarttest.Claims{"scope": o.scope}))
		require.NotContains(t, []int{401, 403}, a.StatusCode, "%s with %s: %s", o.name, o.scope, a.text)
		for _, scope := range strings.Fields(o.scope) {
			less := strings.Replace(o.scope, scope, scope[:len(scope)-1]+"d", 1)
			if o.code != "operation" || scope != "system/Procedure.c" {
				a = w.send(o.method, o.path, o.body, o.contentType, w.as(smarttest.Claims{"scope": less}))
				a.refused(t, 403, outcome.CodeForbidden)
				require.Contains(t, a.text, scope, o.name)
			}
			narrow := strings.Replace(o.scope, scope, scope+"?status=ready", 1)
			w.send(o.method, o.path, o.body, o.contentType, w.as(smarttest.Claims{"scope": narrow})).refused(t, 403, outcome.CodeForbidden)
		}
	}
}

// Entries of a Bundle are held to the scopes one by one (SMART App Launch 2.2, "Batches
// and transactions"): in a batch each for itself, in a transaction nothing is done.
func TestBundlesAreCheckedEntryByEntry(t *testing.T) {
	t.Parallel()
	w := newSecured(t)
	allowed := entryOf("GET", "Task?_count=1", "")
	for _, o := range operations(w, "x") {
		if o.entry == "" || o.resourceType == "Task" && o.scope == "system/Task.s" {
			continue
		}
		w.audit.taken()
		token := w.as(smarttest.Claims{"scope": "system/Task.s"})
		a := w.send(http.MethodPost, "/fhir", bundleOf("batch", allowed, o.entry), token)
		require.Equal(t, 200, a.StatusCode, a.text)
		require.Equal(t, "200 OK", a.doc.Get("entry").At(0).Get("response").Str("status"))
		require.Equal(t, "403 Forbidden", a.doc.Get("entry").At(1).Get("response").Str("status"), o.name)
		require.Len(t, w.audit.taken(), 2)
		a = w.send(http.MethodPost, "/fhir", bundleOf("transaction", allowed, o.entry), token)
		issue := a.refused(t, 403, outcome.CodeForbidden)
		require.Contains(t, expression(issue), "Bundle.entry[1]")
		require.Contains(t, a.Header.Get("WWW-Authenticate"), "insufficient_scope")
		sound(t, a.text)
		noted := w.audit.taken()
		require.Len(t, noted, 1, "the first entry was not done: %s", o.name)
		require.True(t, noted[0].Alert)
	}
	for _, f := range faults(w) {
		if f.status == 401 && f.header != "" {
			w.send(http.MethodPost, "/fhir", bundleOf("batch", allowed), f.header).refused(t, 401, f.code)
		}
	}
}

// Another unit's record is, for whoever asks, not there: in every operation, alone and in
// Bundles; and the try is recorded as what it was. Of the answers that FHIR names for what
// is denied, 404 tells least (hl7.org/fhir/R4/security.html, Access Denied Response Handling).
func TestAnotherUnitsRecordIsNotThere(t *testing.T) {
	t.Parallel()
	w := newSecured(t)
	open := map[string]bool{"Practitioner": true, "PlanDefinition": true, "CodeSystem": true, "SearchParameter": true, "Questionnaire": true}
	all := operations(w, "in-b")
	seen := map[string]bool{}
	for _, o := range all {
		if !seen[o.resourceType] && o.resourceType != "Bundle" {
			seen[o.resourceType] = true
			r := resource(o.resourceType, "in-b", 1, `{"resourceType":"`+o.resourceType+`","id":"in-b"}`)
			if r.Unit = labB; open[o.resourceType] {
				r.Unit = ""
			}
			w.put(r)
		}
	}
	mine, theirs := w.of(labA), w.of(labB)
	for _, o := range all {
		if open[o.resourceType] || o.resourceType == "Subscription" /* is of its owner, not of a unit */ || o.code == "create" || o.code == "operation" || strings.Contains(o.path, "/$") {
			continue
		}
		path := o.path
		if o.code == "search-type" && o.method == "GET" {
			path += "?_id=in-b"
		}
		w.audit.taken()
		a := w.send(o.method, path, o.body, o.contentType, mine)
		if o.code == "search-type" {
			require.Equal(t, "0", a.doc.Get("total").Text, o.name)
			require.Equal(t, "1", w.send(o.method, path, o.body, o.contentType, theirs).doc.Get("total").Text, o.name)
			continue
		}
		if o.code == "history-type" {
			require.NotContains(t, a.text, "in-b", o.name)
			require.Contains(t, w.send(o.method, path, o.body, o.contentType, theirs).text, "/in-b", o.name)
			continue
		}
		a.refused(t, 404, outcome.CodeNotFound)
		sound(t, a.text)
		missing := w.send(o.method, strings.Replace(path, "in-b", "in-c", 1), strings.Replace(o.body, "in-b", "in-c", 1), o.contentType, mine)
		require.Equal(t, strings.ReplaceAll(missing.text, "in-c", "in-b"), a.text, "the same as for what is not there: %s", o.name)
		noted := w.audit.taken()
		require.True(t, noted[0].Alert, o.name)
		require.Equal(t, "forbidden", noted[0].Why)
		batch := w.send(http.MethodPost, "/fhir", bundleOf("batch", o.entry), mine)
		require.Equal(t, "404 Not Found", batch.doc.Get("entry").At(0).Get("response").Str("status"), o.name)
		if o.writes {
			w.send(http.MethodPost, "/fhir", bundleOf("transaction", o.entry), mine).refused(t, 404, outcome.CodeNotFound)
			continue
		}
		require.Equal(t, 200, w.send(o.method, path, o.body, o.contentType, theirs).StatusCode, o.name)
	}
}

func TestWhatIsOpen(t *testing.T) {
	t.Parallel()
	w := newSecured(t)
	for _, path := range []string{"/livez", "/readyz", "/fhir/metadata", "/fhir/.well-known/smart-configuration"} {
		require.Equal(t, 200, w.get(path).StatusCode, path)
	}
	for _, path := range []string{"/", "/fhir", "/fhir/Nothing/1", "/fhir/nothing", "/metrics", "/sandbox/clock"} {
		w.get(path).refused(t, 401, outcome.CodeLogin)
	}
	w.send(http.MethodGet, "/fhir/Task?access_token="+w.issuer.Token(nil), "").refused(t, 401, outcome.CodeLogin)
	r, err := http.NewRequestWithContext(t.Context(), http.MethodGet, w.server.URL+"/fhir/Task", nil)
	require.NoError(t, err)
	token := w.issuer.Token(nil)
	r.Header["Authorization"] = []string{"Bearer " + token, "Bearer " + token}
	answer, err := w.server.Client().Do(r)
	require.NoError(t, err)
	require.NoError(t, answer.Body.Close())
	require.Equal(t, 400, answer.StatusCode, "RFC 6750 section 3.1, invalid_request")
}
