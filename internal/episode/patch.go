package episode

import (
	"bytes"
	"errors"
	"slices"

	jsonpatch "github.com/evanphx/json-patch/v5"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/tree"
)

// patched applies a JSON Patch (RFC 6902) to a stored resource. To a Task, adding to the end of notes
// or outputs works when there are none yet: R4 has no empty arrays, so a client can't
// find one to add to. Errors: structure for what is no patch; business-rule for one that
// does not apply, a failed test included (hl7.org/fhir/R4/http.html#patch).
func patched(body, patch []byte) ([]byte, error) {
	const op = "patch"
	p, err := jsonpatch.DecodePatch(patch)
	if err != nil {
		return nil, &outcome.Error{Kind: outcome.CodeStructure, Op: op, Details: "this is no JSON Patch (RFC 6902)", Err: err}
	}
	for _, name := range []string{"note", "output"} {
		body = withArray(body, p, name)
	}
	out, err := p.Apply(body)
	switch {
	case errors.Is(err, jsonpatch.ErrTestFailed):
		return nil, &outcome.Error{Kind: outcome.CodeBusinessRule, Op: op, Details: "a test of the patch failed: the resource is not as the patch expects", Err: err}
	case err != nil:
		return nil, &outcome.Error{Kind: outcome.CodeBusinessRule, Op: op, Details: "the patch does not apply to the resource as it is", Err: err}
	}
	return out, nil
}

// withArray gives the body an empty array that the patch adds to.
func withArray(body []byte, p jsonpatch.Patch, name string) []byte {
	doc, _ := tree.Parse(body)
	if doc == nil || doc.Root.Get(name) != nil {
		return body
	}
	for _, o := range p {
		if path, err := o.Path(); err == nil && o.Kind() == "add" && path == "/"+name+"/-" {
			end := bytes.LastIndexByte(body, '}')
			return append(append(bytes.Clone(body[:end]), `,"`+name+`":[]`...), body[end:]...)
		}
	}
	return body
}

// touches reports whether a patch says anything about a member at the top.
func touches(patch []byte, member string) bool {
	p, err := jsonpatch.DecodePatch(patch)
	if err != nil {
		return false
	}
	return slices.ContainsFunc(p, func(o jsonpatch.Operation) bool {
		path, err := o.Path()
		return err == nil && (path == member || path == "") && o.Kind() != "test"
	})
}
