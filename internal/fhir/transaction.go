package fhir

import (
	"encoding/json"
	"errors"
	"fmt"
	"net/url"
	"strconv"
	"strings"
)

// BundleKind is transaction or batch (http://hl7.org/fhir/bundle-type): what is sent in one
// request.
type BundleKind string

// The kinds of Bundles that are sent; the answer to one has "-response" behind its kind.
const (
	BundleTransaction BundleKind = "transaction"
	BundleBatch       BundleKind = "batch"
)

// TransactionEntry is one interaction of a Bundle that is sent to another server
// (hl7.org/fhir/R4/http.html#transaction).
type TransactionEntry struct {
	FullURL     string
	Resource    json.RawMessage
	Method      string
	URL         string // relative to the other server's base
	IfMatch     string // a version, without W/ and quotes
	IfNoneExist string // the query alone
}

type transactionBundle struct {
	ResourceType string             `json:"resourceType"`
	Type         BundleKind         `json:"type"`
	Entry        []transactionEntry `json:"entry"`
}

type transactionEntry struct {
	FullURL  string          `json:"fullUrl,omitempty"`
	Resource json.RawMessage `json:"resource,omitempty"`
	Request  struct {
		Method      string `json:"method"`
		URL         string `json:"url"`
		IfMatch     string `json:"ifMatch,omitempty"`
		IfNoneExist string `json:"ifNoneExist,omitempty"`
	} `json:"request"`
}

// RenderTransaction writes a Bundle of interactions. It fails only on a Resource that is no
// JSON.
func RenderTransaction(kind BundleKind, entries []TransactionEntry) ([]byte, error) {
	b := transactionBundle{ResourceType: "Bundle", Type: kind, Entry: make([]transactionEntry, len(entries))}
	for i, e := range entries {
		to := &b.Entry[i]
		to.FullURL, to.Resource = e.FullURL, e.Resource
		to.Request.Method, to.Request.URL, to.Request.IfNoneExist = e.Method, e.URL, e.IfNoneExist
		if e.IfMatch != "" {
			to.Request.IfMatch = `W/"` + e.IfMatch + `"`
		}
	}
	return json.Marshal(b)
}

// Condition is the query that finds what a business identifier names, such as
// identifier=https://s.example|1 (hl7.org/fhir/R4/search.html#token).
func Condition(i Identifier) string {
	escape := strings.NewReplacer(`\`, `\\`, "|", `\|`, ",", `\,`, "$", `\$`).Replace
	return "identifier=" + url.QueryEscape(escape(i.System)+"|"+escape(i.Value))
}

// TransactionAnswer is how one interaction ended.
type TransactionAnswer struct {
	Status   int
	ID       string // what the other server calls the resource; "" when it does not tell
	Version  string // its version there; "" when it does not tell
	Resource json.RawMessage
}

// ReadTransactionAnswer reads the answer to a Bundle of so many interactions, in their order.
func ReadTransactionAnswer(body []byte, kind BundleKind, entries int) ([]TransactionAnswer, error) {
	var b struct {
		ResourceType string
		Type         string
		Entry        []struct {
			Resource json.RawMessage
			Response *struct{ Status, Location, Etag string }
		}
	}
	if err := json.Unmarshal(body, &b); err != nil || b.ResourceType != "Bundle" || b.Type != string(kind)+"-response" {
		return nil, fmt.Errorf("the answer is no Bundle of type %s-response", kind)
	}
	if len(b.Entry) != entries {
		return nil, fmt.Errorf("the answer has %d entries, not %d", len(b.Entry), entries)
	}
	all := make([]TransactionAnswer, entries)
	for i, e := range b.Entry {
		if e.Response == nil {
			return nil, errors.New("an entry of the answer has no response")
		}
		code, _, _ := strings.Cut(strings.TrimSpace(e.Response.Status), " ")
		status, err := strconv.Atoi(code)
		if err != nil {
			return nil, errors.New("an entry of the answer has no status")
		}
		a := TransactionAnswer{Status: status, Resource: e.Resource}
		a.ID, a.Version = readLocation(e.Response.Location)
		if v := ETagVersion(e.Response.Etag); v != "" {
			a.Version = v
		}
		all[i] = a
	}
	return all, nil
}

// readLocation reads [base/]Type/id[/_history/version].
func readLocation(location string) (id, version string) {
	location, version, _ = strings.Cut(location, "/_history/")
	if at := strings.LastIndexByte(location, '/'); at > 0 {
		return location[at+1:], version
	}
	return "", ""
}

// ETagVersion reads a version from a weak entity tag, or a strong one as some servers write
// it (hl7.org/fhir/R4/http.html#versioning).
func ETagVersion(tag string) string {
	return strings.Trim(strings.TrimPrefix(strings.TrimSpace(tag), "W/"), `"`)
}

// longestSaid bounds what is kept of another server's words, in bytes.
const longestSaid = 4 << 10

// ReadOutcome reads the code of the first error of an OperationOutcome, and in Said what it
// says of all of them, which may be personal; ok is false when the body is none.
func ReadOutcome(body []byte) (code, said string, ok bool) {
	var o struct {
		ResourceType string
		Issue        []struct {
			Severity, Code, Diagnostics string
			Details                     struct{ Text string }
			Expression                  []string
		}
	}
	if json.Unmarshal(body, &o) != nil || o.ResourceType != "OperationOutcome" || len(o.Issue) == 0 {
		return "", "", false
	}
	var parts []string
	for _, i := range o.Issue {
		if code == "" && (i.Severity == "error" || i.Severity == "fatal") {
			code = i.Code
		}
		for _, p := range append(i.Expression, i.Details.Text, i.Diagnostics) {
			if p != "" {
				parts = append(parts, p)
			}
		}
	}
	if code == "" {
		code = o.Issue[0].Code
	}
	said = strings.ToValidUTF8(strings.Join(parts, "; "), "")
	if len(said) > longestSaid {
		said = strings.ToValidUTF8(said[:longestSaid], "")
	}
	return code, said, true
}
