package foreign

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"

	"fhirsvc/internal/fhir"
)

// Resource is a resource as JSON, numbers as they are written.
type Resource = map[string]any

// call makes a request and reads the answer, which must be a success. A search is made anew: servers
// may keep for a minute what they found.
func call(ctx context.Context, method, url string, body []byte, header http.Header) (Resource, error) {
	r, err := http.NewRequestWithContext(ctx, method, url, bytes.NewReader(body))
	if err != nil {
		return nil, err
	}
	for name, values := range header {
		r.Header[name] = values
	}
	r.Header.Set("Accept", fhir.ContentType)
	r.Header.Set("Cache-Control", "no-cache")
	if body != nil {
		r.Header.Set("Content-Type", fhir.ContentType)
	}
	a, err := http.DefaultClient.Do(r)
	if err != nil {
		return nil, err
	}
	defer a.Body.Close()
	text, err := io.ReadAll(a.Body)
	if err != nil {
		return nil, err
	}
	if a.StatusCode > 299 {
		return nil, fmt.Errorf("%s %s: HTTP %d: %.1000s", method, url, a.StatusCode, text)
	}
	return decode(text)
}

func decode(text []byte) (Resource, error) {
	d := json.NewDecoder(bytes.NewReader(text))
	d.UseNumber()
	var r Resource
	err := d.Decode(&r)
	return r, err
}

func encode(r Resource) ([]byte, error) { return json.Marshal(r) }

// search gives all matches of a query such as Task?status=ready, all its pages.
func search(ctx context.Context, base, query string) ([]Resource, error) {
	var all []Resource
	for next := base + "/" + query; next != ""; {
		page, err := call(ctx, http.MethodGet, next, nil, nil)
		if err != nil {
			return nil, err
		}
		next = ""
		for _, l := range list(page["link"]) {
			if text(object(l)["relation"]) == "next" {
				next = text(object(l)["url"])
			}
		}
		for _, e := range list(page["entry"]) {
			if r := object(object(e)["resource"]); r["resourceType"] != "OperationOutcome" {
				all = append(all, r)
			}
		}
	}
	return all, nil
}

func list(v any) []any {
	all, _ := v.([]any)
	return all
}

func object(v any) Resource {
	r, _ := v.(Resource)
	return r
}

func text(v any) string {
	s, _ := v.(string)
	return s
}

// nameOf is Type/id.
func nameOf(r Resource) string { return text(r["resourceType"]) + "/" + text(r["id"]) }
