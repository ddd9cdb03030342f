package rest

import (
	"encoding/base64"
	"errors"
	"fmt"
	"net/http"
	"strings"

	"fhirsvc/internal/episode"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/tree"
)

// item is an entry as it was read. Fault is what is wrong with it.
type item struct {
	method string
	url    string
	change episode.Entry // of a POST, PUT or PATCH
	fault  error
}

// readItem reads an entry's request.
func readItem(doc *tree.Document, n *tree.Node) item {
	request := n.Get("request")
	it := item{method: request.Str("method"), url: request.Str("url")}
	path, query, asks := strings.Cut(it.url, "?")
	resourceType, id, _ := strings.Cut(path, "/")
	it.change = episode.Entry{
		Method: it.method, Type: resourceType, ID: id, FullURL: n.Str("fullUrl"),
		IfMatch: request.Str("ifMatch"), IfNoneExist: request.Str("ifNoneExist"),
		Body: []byte(doc.Raw(n.Get("resource"))),
	}
	if it.method == http.MethodGet {
		return it
	}
	it.fault = it.check(asks && query != "")
	if it.fault == nil && it.method == http.MethodPatch {
		it.change.Body, it.fault = patchOf(n.Get("resource"))
	}
	if it.fault == nil {
		it.fault = checkEntry(it.change)
	}
	return it
}

func (it item) check(conditional bool) error {
	kinds := map[string]interaction{
		http.MethodPost: interactionCreate, http.MethodPut: interactionUpdate, http.MethodPatch: interactionPatch,
	}
	kind, known := kinds[it.method]
	ok, served := serves(it.change.Type, kind)
	switch {
	case it.method == "" || it.url == "":
		return outcome.Fail(outcome.CodeRequired, "", "an entry needs request.method and request.url")
	case conditional:
		return outcome.Fail(outcome.CodeNotSupported, "", "conditional update and delete are not served")
	case !served:
		return refuse(http.StatusNotFound, outcome.CodeNotSupported, "resources of this type are not served")
	case !known || !ok || (it.method == http.MethodPost) != (it.change.ID == ""):
		return refuse(http.StatusMethodNotAllowed, outcome.CodeNotSupported, "this method is not served at this address")
	}
	return nil
}

// patchOf gives the JSON Patch in a Binary (hl7.org/fhir/R4/http.html#patch).
func patchOf(binary *tree.Node) ([]byte, error) {
	if binary.Str("resourceType") != "Binary" || binary.Str("contentType") != jsonPatch {
		return nil, outcome.Fail(outcome.CodeInvalid, "", "a PATCH entry holds a Binary of type %s", jsonPatch)
	}
	body, err := base64.StdEncoding.DecodeString(binary.Str("data"))
	if err != nil {
		return nil, outcome.Fail(outcome.CodeInvalid, "", "the data of the Binary is not base64")
	}
	return body, nil
}

// at tells in which entry of a transaction the fault is.
func at(i int, err error) error {
	code, e := failed(err)
	issues := e.Issues
	if len(issues) == 0 {
		issues = []outcome.Issue{outcome.Errorf(e.Kind, "request", "%s", e.Details)}
	}
	told := make([]outcome.Issue, len(issues))
	for k, issue := range issues {
		inside := issue.Expression
		if inside != "request" {
			inside = strings.TrimSuffix("resource."+afterType(inside), ".")
		}
		issue.Expression = fmt.Sprintf("Bundle.entry[%d].%s", i, inside)
		told[k] = issue
	}
	out := &refusal{status: code, err: outcome.Reject("transaction", told)}
	var own *refusal
	if errors.As(err, &own) {
		out.challenge = own.challenge
	}
	return out
}

// afterType drops the leading resource type of an expression.
func afterType(expression string) string {
	if first, rest, ok := strings.Cut(expression, "."); ok && first != "" && first[0] >= 'A' && first[0] <= 'Z' {
		return rest
	}
	return expression
}

// distinct refuses a transaction in which two entries change the same resource or have
// the same fullUrl (hl7.org/fhir/R4/http.html#trules, bdl-7).
func distinct(items []item) error {
	seen := map[string]bool{}
	for i, it := range items {
		for _, name := range []string{it.change.FullURL, it.target()} {
			if name != "" && seen[name] {
				return at(i, outcome.Fail(outcome.CodeInvalid, "", "another entry has the same fullUrl or changes the same resource"))
			}
			seen[name] = true
		}
	}
	return nil
}

func (it item) target() string {
	if it.method == http.MethodGet || it.change.ID == "" {
		return ""
	}
	return it.change.Type + "/" + it.change.ID
}
