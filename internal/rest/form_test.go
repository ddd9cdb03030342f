package rest_test

import (
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/tree"
	"fhirsvc/internal/rest/smart/smarttest"
)

// screen charts by forms alone: it knows R4, and no finding by name.
type screen struct {
	*secured
	token string
}

// due gives the ready Task whose form asks a question with these words.
func (s screen) due(words string) (task, form *tree.Node) {
	s.t.Helper()
	for e := range s.get("/fhir/Task?status=ready&_count=200", s.token).doc.Get("entry").Items() {
		canonical := formOf(e.Get("resource"))
		if canonical == "" {
			continue
		}
		address, version, _ := strings.Cut(canonical, "|")
		found := s.get("/fhir/Questionnaire?url="+url.QueryEscape(address)+"&version="+version, s.token)
		require.Equal(s.t, "1", found.doc.Get("total").Text, canonical)
		if form = found.doc.Get("entry").At(0).Get("resource"); strings.Contains(found.text, words) {
			return e.Get("resource"), form
		}
	}
	s.t.Fatalf("no Task asks about %s", words)
	return nil, nil
}

// formOf is the canonical that a Task's input names, by SDC's code.
func formOf(task *tree.Node) string {
	for in := range task.Get("input").Items() {
		for c := range in.Get("type").Get("coding").Items() {
			if c.Str("system") == "http://hl7.org/fhir/uv/sdc/CodeSystem/temp" && c.Str("code") == "questionnaire" {
				return in.Str("valueCanonical")
			}
		}
	}
	return ""
}

// answer picks the option with these words in the question with these words, and gives the
// form filled in with nothing else.
func (s screen) answer(task, form *tree.Node, question, option string, at time.Time) string {
	s.t.Helper()
	for group := range form.Get("item").Items() {
		for q := range group.Get("item").Items() {
			if q.Str("text") != question {
				continue
			}
			for o := range q.Get("answerOption").Items() {
				c := o.Get("valueCoding")
				if !strings.Contains(c.Str("display"), option) {
					continue
				}
				return fmt.Sprintf(`{"resourceType":"QuestionnaireResponse","status":"completed","questionnaire":"%s|%s","authored":%q,
"subject":{"reference":%q},"author":{"type":"Practitioner","display":"Nurse Able"},
"item":[{"linkId":%q,"item":[{"linkId":%q,"answer":[{"valueCoding":{"system":%q,"code":%q,"display":%q}}]}]}]}`,
					form.Str("url"), form.Str("version"), at.UTC().Format(time.RFC3339), task.Get("for").Str("reference"),
					group.Str("linkId"), q.Str("linkId"), c.Str("system"), c.Str("code"), c.Str("display"))
			}
		}
	}
	s.t.Fatalf("%s is not asked", question)
	return ""
}

func (s screen) ready(code string) string {
	return s.get("/fhir/Task?status=ready&code="+code, s.token).doc.Get("total").Text
}

// TestFormsOverREST: a charting screen that knows only the Questionnaire charts a bleed, and
// the Tasks follow; it corrects it, and they follow again.
func TestFormsOverREST(t *testing.T) {
	t.Parallel()
	w := newSecured(t)
	w.take(labA, "P-a", "anna")
	s := screen{w, w.of(labA)}
	task, form := s.due("Bleeding at the access site")
	require.Equal(t, "0", s.ready("restore-compression"))
	body := s.answer(task, form, "Bleeding at the access site", "actively bleeding", time.Now())
	a := s.send(http.MethodPost, "/fhir/QuestionnaireResponse", body, s.token)
	require.Equal(t, 201, a.StatusCode, a.text)
	require.Contains(t, a.Header.Get("Location"), "/fhir/QuestionnaireResponse/")
	id := a.doc.Str("id")
	require.Equal(t, "1", s.ready("restore-compression"))
	made := s.get("/fhir/Observation?derived-from=QuestionnaireResponse/"+id, s.token)
	require.Equal(t, "1", made.doc.Get("total").Text)
	sound(t, made.text)
	require.Equal(t, "1", s.get("/fhir/QuestionnaireResponse?questionnaire="+url.QueryEscape(form.Str("url")), s.token).doc.Get("total").Text)

	wrong := strings.Replace(s.answer(task, form, "Bleeding at the access site", "achieved", time.Now()), `"status":"completed"`, `"status":"amended","id":"`+id+`"`, 1)
	a = s.send(http.MethodPut, "/fhir/QuestionnaireResponse/"+id, wrong, s.token, `If-Match: W/"1"`)
	require.Equal(t, 200, a.StatusCode, a.text)
	require.Equal(t, `W/"2"`, a.Header.Get("ETag"))
	require.Equal(t, "0", s.ready("restore-compression"))
	require.Equal(t, "2", s.get("/fhir/QuestionnaireResponse/"+id+"/_history", s.token).doc.Get("total").Text)
	s.send(http.MethodPut, "/fhir/QuestionnaireResponse/"+id, wrong, s.token, `If-Match: W/"1"`).refused(t, 412, outcome.CodeConflict)

	// Another unit sees neither the form nor what was made of it.
	theirs := w.of(labB)
	w.get("/fhir/QuestionnaireResponse/"+id, theirs).refused(t, 404, outcome.CodeNotFound)
	w.send(http.MethodPut, "/fhir/QuestionnaireResponse/"+id, wrong, theirs).refused(t, 404, outcome.CodeNotFound)
	require.Equal(t, "0", w.get("/fhir/Observation?derived-from=QuestionnaireResponse/"+id, theirs).doc.Get("total").Text)
	require.Equal(t, "14", w.get("/fhir/Questionnaire", theirs).doc.Get("total").Text)
}

// TestFormsNeedTheScopesOfFindings: who may not chart an Observation may not chart it by a
// form either; the trail names the form and each Observation.
func TestFormsNeedTheScopesOfFindings(t *testing.T) {
	t.Parallel()
	w := newSecured(t)
	w.take(labA, "P-a", "anna")
	s := screen{w, w.of(labA)}
	task, form := s.due("Bleeding at the access site")
	body := s.answer(task, form, "Bleeding at the access site", "achieved", time.Now())
	less := w.as(smarttest.Claims{"fhirsvc_units": []string{labA}, "scope": "system/QuestionnaireResponse.cruds"})
	w.send(http.MethodPost, "/fhir/QuestionnaireResponse", body, less).refused(t, 403, outcome.CodeForbidden)
	enough := w.as(smarttest.Claims{"fhirsvc_units": []string{labA}, "scope": "system/QuestionnaireResponse.c system/Observation.c"})
	a := w.send(http.MethodPost, "/fhir/QuestionnaireResponse", body, enough)
	require.Equal(t, 201, a.StatusCode, a.text)
	recorded := map[string]int{}
	for _, r := range w.trail() {
		doc, _ := tree.Parse(r.Body)
		for e := range doc.Root.Get("entity").Items() {
			kind, _, _ := strings.Cut(e.Get("what").Str("reference"), "/")
			if doc.Root.Get("subtype").At(0).Str("code") == "create" {
				recorded[kind]++
			}
		}
	}
	require.Equal(t, 1, recorded["QuestionnaireResponse"])
	require.Equal(t, 1, recorded["Observation"])
}
