package episode

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"fhirsvc/internal/fhir"
	"fhirsvc/internal/fhir/definitions"
	"fhirsvc/internal/fhir/form"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/tree"
	"fhirsvc/internal/store"
)

// response is the resource type by which findings are charted in a form.
const response = "QuestionnaireResponse"

// expand holds a response to its Questionnaire and adds, before the work of the response,
// one for each Observation that it tells or no longer tells. A repeated create adds none.
func (b *batch) expand(ctx context.Context, w *work) error {
	if w.Type != response || w.doc == nil || w.Method == methodPost && w.current != nil {
		return nil
	}
	f, err := b.form(ctx, w.doc.Root.Str("questionnaire"))
	if notFound(err) {
		b.issues = append(b.issues, outcome.Errorf(outcome.CodeBusinessRule, w.root()+".questionnaire",
			"this questionnaire is not known here: Task.input names the one to use; nothing was stored"))
		return nil
	}
	if err != nil {
		return err
	}
	if issues := f.Check(w.doc.Root, w.root()); len(issues) > 0 {
		b.issues = append(b.issues, issues...)
		return nil
	}
	about := form.About{Response: response + "/" + w.id}
	if about.Found, err = b.foundAt(ctx, w); err != nil {
		return err
	}
	told := map[string]form.Extracted{}
	for _, e := range f.Observations(w.doc, w.root(), about) {
		told[e.Link] = e
	}
	for _, link := range f.Questions() {
		e, ok := told[link]
		if err := b.derive(ctx, w, link, e, ok); err != nil {
			return err
		}
	}
	return nil
}

// form reads a stored Questionnaire by its canonical; one without a version is that of this
// release.
func (s *Service) form(ctx context.Context, canonical string) (*form.Form, error) {
	if !strings.Contains(canonical, "|") {
		canonical += "|" + fhir.Published
	}
	r, err := s.Store.Read(ctx, "Questionnaire", s.ids.known("Questionnaire", fhir.Identifier{System: systemCanonical, Value: canonical}))
	if err != nil {
		return nil, err
	}
	f, err := form.Parse(r.Body, valueSets)
	if err != nil {
		return nil, fmt.Errorf("questionnaire %s: %w", canonical, err)
	}
	return f, nil
}

// valueSets are those that R4 publishes.
func valueSets(url string) func(system, code string) bool {
	set := definitions.R4().ValueSet(definitions.WithoutVersion(url))
	if set == nil {
		return nil
	}
	return set.Has
}

// foundAt is when the findings of a response were made if no item says so: when it was
// filled in first. R4 has QuestionnaireResponse.authored change with each correction, and a
// correction moves no finding to the time at which it was corrected.
func (b *batch) foundAt(ctx context.Context, w *work) (string, error) {
	if w.current == nil {
		return w.doc.Root.Str("authored"), nil
	}
	versions, err := b.Store.History(ctx, response, w.id)
	if err != nil {
		return "", err
	}
	for _, v := range slices.Backward(versions) { // the oldest stands last
		doc, _ := tree.Parse(v.Body)
		if doc != nil && form.Charts(doc.Root.Str("status")) && doc.Root.Str("authored") != "" {
			return doc.Root.Str("authored"), nil
		}
	}
	return w.doc.Root.Str("authored"), nil
}

// derive adds the work of one question's Observation: to create it, to correct it, or to
// withdraw what is told no longer.
func (b *batch) derive(ctx context.Context, of *work, link string, e form.Extracted, told bool) error {
	w := work{
		Entry: &Entry{Method: methodPost, Type: "Observation", Path: e.Path}, index: len(b.works), derived: true,
		id: b.ids.within(response+"/"+of.id, "Observation", link),
	}
	status := "final"
	if of.current != nil {
		current, err := b.Store.Read(ctx, "Observation", w.id)
		switch {
		case err == nil:
			w.current, w.Method = &current, methodPut
		case !notFound(err):
			return err
		}
	}
	standing := w.current != nil && statusOf(w.current) != "entered-in-error"
	switch {
	case told && standing:
		status = statusOf(w.current)
		w.doc = b.read(&w, e.Body(status))
	case told:
		w.doc = b.read(&w, e.Body(status))
	case standing:
		w.Path = of.root()
		w.doc = b.read(&w, fhir.WithStatus(w.current.Body, "entered-in-error"))
	default:
		return nil
	}
	if w.doc != nil {
		b.works = append(b.works, w)
	}
	return nil
}

// response takes in a form, after the Observations that it tells: it stands where the first
// of them stands.
func (b *batch) response(ctx context.Context, w *work) error {
	subject, err := b.patient(ctx, w, fhir.SubjectOf(w.doc))
	if err != nil || subject == "" {
		return err
	}
	in := incoming{resourceType: w.Type, body: []byte(w.doc.Raw(w.doc.Root))}
	in.rewriting = fhir.Rewriting{References: b.refer, Insert: map[string]string{"subject": subject}}
	v, changed, err := b.next(w, in)
	if err != nil {
		return err
	}
	created := w.current == nil
	children := b.childrenOf(w)
	w.finish = func() EntryResult {
		r := EntryResult{Created: created, Resource: *b.resourceOr(w, v)}
		for _, c := range children {
			r.Warnings = append(r.Warnings, c.told(c.finish().Warnings)...)
		}
		return r
	}
	if !changed {
		return nil
	}
	v.Unit = b.client.Units.Home()
	if w.current != nil {
		v.Episode, v.Unit = w.current.Episode, w.current.Unit
	}
	for _, c := range children {
		if o := b.draft.resource(c.Type, c.id); o != nil && o.Episode != "" {
			v.Episode, v.Unit = o.Episode, o.Unit
			break
		}
	}
	var seq int64
	if l := b.episodes[v.Episode]; l != nil {
		seq = l.version + 1
	}
	b.draft.putEntry(v, seq)
	b.draft.changes.Identities = append(b.draft.changes.Identities, w.claims...)
	return nil
}

// childrenOf are the works of the Observations that a form tells: those right before it.
func (b *batch) childrenOf(w *work) []*work {
	var list []*work
	for i := w.index - 1; i >= 0 && b.works[i].derived; i-- {
		list = append(list, &b.works[i])
	}
	slices.Reverse(list)
	return list
}

// told gives issues about a derived Observation at the answer that it was made of.
func (w *work) told(issues []outcome.Issue) []outcome.Issue {
	told := slices.Clone(issues)
	for i := range told {
		told[i].Expression = w.Path
	}
	return told
}

// formOf is the form that an Observation was made of (QuestionnaireResponse/id); "" for one
// that was charted by itself.
func formOf(observation []byte) string {
	doc, _ := tree.Parse(observation)
	if doc == nil {
		return ""
	}
	for n := range doc.Root.Get("derivedFrom").Items() {
		if ref := n.Str("reference"); strings.HasPrefix(ref, response+"/") {
			return ref
		}
	}
	return ""
}

// withForms adds the forms that stored Observations were made of, each once.
func (s *Service) withForms(ctx context.Context, all []store.Resource) ([]store.Resource, error) {
	seen := map[string]bool{}
	for _, r := range slices.Clone(all) {
		ref := formOf(r.Body)
		if r.Type != "Observation" || ref == "" || seen[ref] {
			continue
		}
		seen[ref] = true
		f, err := s.Store.Read(ctx, response, strings.TrimPrefix(ref, response+"/"))
		switch {
		case err == nil && f.Episode == r.Episode:
			all = append(all, f)
		case err != nil && !notFound(err):
			return nil, err
		}
	}
	return all, nil
}
