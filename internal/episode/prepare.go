package episode

import (
	"cmp"
	"context"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"fhirsvc/internal/fhir"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/search"
	"fhirsvc/internal/fhir/tree"
	"fhirsvc/internal/store"
)

// The methods of an entry.
const (
	methodPost  = "POST"
	methodPut   = "PUT"
	methodPatch = "PATCH"
)

// prepare reads all entries and gives each its id, so that they can refer to each other.
func (b *batch) prepare(ctx context.Context) error {
	for i := range b.entries {
		w := work{Entry: &b.entries[i], index: i}
		if !w.served() {
			return outcome.Fail(outcome.CodeNotSupported, "chart", "%s of a %s is not taken in", w.Method, w.Type)
		}
		if err := b.identifyWork(ctx, &w); err != nil {
			return err
		}
		if b.names(&w) {
			b.issues = append(b.issues, outcome.Errorf(outcome.CodeInvalid, w.root(), "this resource stands twice in the transaction"))
		}
		if w.FullURL != "" {
			b.local[w.FullURL] = w.Type + "/" + w.id
		}
		if err := b.expand(ctx, &w); err != nil {
			return err
		}
		w.index = len(b.works) // behind what its form tells
		b.works = append(b.works, w)
	}
	if outcome.HasErrors(b.issues) {
		return outcome.Reject("chart", b.issues)
	}
	return nil
}

// names reports whether an earlier entry is about the same resource; R4 forbids that
// (hl7.org/fhir/R4/http.html#trules).
func (b *batch) names(w *work) bool {
	return slices.ContainsFunc(b.works, func(o work) bool { return o.Type == w.Type && o.id == w.id })
}

// served reports whether such a change can be made.
func (w *work) served() bool {
	switch w.Method {
	case methodPost:
		return found(w.Type) || w.Type == "ServiceRequest" || w.Type == response || w.Type == "Subscription"
	case methodPut:
		return w.Type == "Task" || found(w.Type) || w.Type == response || w.Type == "Subscription"
	case methodPatch:
		return w.Type == "Task" || w.Type == "Subscription"
	}
	return false
}

// root is the FHIRPath of the entry's resource.
func (w *work) root() string {
	if w.Path != "" {
		return w.Path
	}
	return w.Type
}

// identifyWork reads the body and finds what is stored already.
func (b *batch) identifyWork(ctx context.Context, w *work) error {
	if w.Method == methodPost {
		w.doc = b.read(w, w.Body)
		if w.doc == nil {
			return nil
		}
		return b.identifyCreate(ctx, w)
	}
	w.id = w.ID
	current, err := b.Store.Read(ctx, w.Type, w.ID)
	if err == nil && !b.client.Sees(w.Type).Has(current.Unit) {
		err = NotHere(w.Type, w.ID)
	}
	if err != nil {
		return err
	}
	w.current = &current
	body := w.Body
	if w.Method == methodPatch {
		if body, err = patched(current.Body, w.Body); err != nil {
			return cmp.Or(w.stale(), err)
		}
	}
	if w.doc = b.read(w, body); w.doc == nil {
		return w.stale()
	}
	if id := w.doc.Root.Str("id"); id != w.ID {
		b.issues = append(b.issues, outcome.Errorf(outcome.CodeInvalid, w.root()+".id", "the id must be that of the URL"))
	}
	return w.match()
}

// read parses and validates a body; nil when there are errors, which are collected.
func (b *batch) read(w *work, body []byte) *tree.Document {
	doc, issues := tree.Parse(body)
	if doc != nil && !outcome.HasErrors(issues) {
		if kind := doc.Root.Str("resourceType"); kind != w.Type {
			issues = append(issues, outcome.Errorf(outcome.CodeInvalid, "", "a %s is expected here, not a %q", w.Type, kind))
		} else {
			issues = b.Incoming.Resource(body)
		}
	}
	failed := doc == nil
	for _, i := range issues {
		switch {
		case w.derived:
			i.Expression = w.Path
		case w.Path != "":
			i.Expression = w.Path + strings.TrimPrefix(i.Expression, w.Type)
		}
		if !outcome.HasErrors([]outcome.Issue{i}) {
			w.remarks = append(w.remarks, i)
			continue
		}
		failed = true
		b.issues = append(b.issues, i)
	}
	if failed {
		return nil
	}
	return doc
}

// match checks If-Match. A Task that is completed again is looked at later: that has been
// done, whatever the version (RFC 9110 section 13.1.1).
func (w *work) match() error {
	if w.again() {
		return nil
	}
	return w.stale()
}

// stale refuses, where If-Match was sent, what was meant for another version; whatever is
// wrong with the content may be so because of that (RFC 9110 section 13.2.1).
func (w *work) stale() error {
	if w.IfMatch == "" {
		return nil
	}
	tag := strings.Trim(strings.TrimPrefix(w.IfMatch, "W/"), `"`)
	if tag != strconv.FormatInt(w.current.Version, 10) {
		return outcome.Fail(outcome.CodeConflict, "chart", "the %s has changed since: read it again; its version is %d", w.Type, w.current.Version)
	}
	return nil
}

// identifyCreate finds the resource that a create repeats, by its identifiers or else by
// If-None-Exist; without one it gives the new one its id.
func (b *batch) identifyCreate(ctx context.Context, w *work) error {
	w.id = b.ids.within(b.input, w.Type, strconv.Itoa(w.index))
	ids := fhir.Identifiers(w.doc)
	id, known, err := b.identify(ctx, w.Type, ids)
	if err != nil {
		return err
	}
	if len(ids) == 0 && w.IfNoneExist != "" {
		if id, known, err = b.matching(ctx, w); err != nil {
			return err
		}
	}
	if known {
		current, err := b.Store.Read(ctx, w.Type, id)
		if notFound(err) {
			return outcome.Fail(outcome.CodeDeleted, "chart", "what was stored under this identifier was removed, as the site's rule says")
		}
		if err != nil {
			return err
		}
		if !b.client.Sees(w.Type).Has(current.Unit) {
			return outcome.Fail(outcome.CodeDuplicate, "chart", "the identifier of this %s is taken", w.Type)
		}
		w.id, w.current = id, &current
		return nil
	}
	if len(ids) > 0 {
		w.id = b.ids.known(w.Type, ids[0])
	}
	for _, i := range ids {
		w.claims = append(w.claims, store.Identity{Type: w.Type, System: i.System, Value: i.Value, ID: w.id})
	}
	return nil
}

// conditional is the identifier system under which the query of a conditional create is
// claimed, so that two of them at once make one resource.
const conditional = "urn:fhirsvc:if-none-exist"

// matching finds what a conditional create may repeat
// (hl7.org/fhir/R4/http.html#ccreate).
func (b *batch) matching(ctx context.Context, w *work) (id string, known bool, err error) {
	params, err := url.ParseQuery(w.IfNoneExist)
	if err != nil {
		return "", false, outcome.Fail(outcome.CodeInvalid, "chart", "If-None-Exist is no query")
	}
	query, _, issues := search.Parse(w.Type, params, search.Options{})
	if outcome.HasErrors(issues) {
		return "", false, outcome.Reject("chart", issues)
	}
	if len(query.All) == 0 {
		return "", false, outcome.Fail(outcome.CodeInvalid, "chart", "If-None-Exist has no criteria")
	}
	units := b.client.Sees(w.Type)
	query = b.client.Limit(query)
	key := params.Encode()
	if !units.All() { // what one unit asked for says nothing of another
		key = units.Home() + " " + key
	}
	if id, known, err = b.Store.Identity(ctx, w.Type, conditional, key); known || err != nil {
		return id, known, err
	}
	query.Count = 2
	page, err := b.Store.Search(ctx, query)
	switch {
	case err != nil:
		return "", false, err
	case len(page.Matches) > 1:
		return "", false, outcome.Fail(outcome.CodeMultipleMatches, "chart", "If-None-Exist fits more than one %s", w.Type)
	case len(page.Matches) == 1:
		return page.Matches[0].ID, true, nil
	}
	w.claims = append(w.claims, store.Identity{Type: w.Type, System: conditional, Value: key, ID: w.id})
	return "", false, nil
}

// refer gives the stored form of a reference: to another entry, or to this server by its
// own URL.
func (b *batch) refer(ref string) string {
	if to, ok := b.local[ref]; ok {
		return to
	}
	if b.Endpoint != "" {
		ref = strings.TrimPrefix(ref, b.Endpoint+"/")
	}
	return ref
}

// take reads one entry as what it is.
func (b *batch) take(ctx context.Context, w *work) error {
	if w.Method == methodPost && w.current != nil {
		w.finish = func() EntryResult { return EntryResult{Resource: *w.current} }
		return nil
	}
	switch w.Type {
	case "Observation", "MedicationAdministration":
		return b.observation(ctx, w)
	case "ServiceRequest":
		return b.order(ctx, w)
	case response:
		return b.response(ctx, w)
	case "Subscription":
		return b.subscribe(ctx, w)
	}
	return b.task(ctx, w)
}
