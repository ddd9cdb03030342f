// Package form reads R4 Questionnaires, holds responses to them, and makes Observations of
// the answers by SDC's observation-based extraction.
//
// It knows R4 Questionnaire and QuestionnaireResponse
// (hl7.org/fhir/R4/questionnaire.html) and the extensions of SDC 4.0.0
// (hl7.org/fhir/uv/sdc/extraction.html). It must not know what any question is about, nor
// where a Questionnaire is kept.
//
//	f, err := form.Parse(questionnaire, valueSets)
//	issues := f.Check(response.Root, "QuestionnaireResponse")
//	for _, o := range f.Observations(response, "QuestionnaireResponse", about) { … }
package form
