package rest_test

import (
	"fmt"
	"strings"

	"fhirsvc/internal/fhir/tree"
)

// needs are the elements that R4 requires of the types that tests store, in the order in which
// they are added; tests write only what they are about. Source: the snapshots of
// hl7.org/fhir/R4/resourcelist.html, which the validator holds against every answer.
var needs = map[string][]string{
	"AuditEvent": {
		`"type":{"system":"http://terminology.hl7.org/CodeSystem/audit-event-type","code":"rest"}`,
		`"recorded":"2025-03-01T08:00:00Z"`, `"agent":[{"requestor":true}]`, `"source":{"observer":{"display":"fhirsvc"}}`,
	},
	"CodeSystem": {`"status":"draft"`, `"content":"complete"`},
	"SearchParameter": {
		`"url":"urn:parameter"`, `"name":"Parameter"`, `"status":"draft"`, `"description":"none"`, `"code":"parameter"`, `"base":["Task"]`, `"type":"token"`,
	},
	"CarePlan":            {`"status":"active"`, `"intent":"plan"`, `"subject":{"reference":"Patient/p"}`},
	"Communication":       {`"status":"completed"`},
	"DetectedIssue":       {`"status":"final"`},
	"DocumentReference":   {`"status":"current"`, `"content":[{"attachment":{"title":"none"}}]`},
	"Encounter":           {`"status":"in-progress"`, `"class":{"system":"http://terminology.hl7.org/CodeSystem/v3-ActCode","code":"IMP"}`},
	"Flag":                {`"status":"active"`, `"code":{"text":"flag"}`, `"subject":{"reference":"Patient/p"}`},
	"MedicationStatement": {`"status":"active"`, `"medicationCodeableConcept":{"text":"drug"}`, `"subject":{"reference":"Patient/p"}`},
	"MedicationAdministration": {
		`"status":"completed"`, `"medicationCodeableConcept":{"text":"drug"}`, `"subject":{"reference":"Patient/p"}`, `"effectiveDateTime":"2025-03-01"`,
	},
	"Observation":           {`"status":"final"`, `"code":{"text":"finding"}`},
	"PlanDefinition":        {`"status":"draft"`},
	"ActivityDefinition":    {`"status":"draft"`},
	"Procedure":             {`"status":"completed"`, `"subject":{"reference":"Patient/p"}`},
	"Provenance":            {`"target":[{"reference":"Task/t"}]`, `"recorded":"2025-03-01T08:00:00Z"`, `"agent":[{"who":{"display":"fhirsvc"}}]`},
	"Questionnaire":         {`"status":"draft"`},
	"QuestionnaireResponse": {`"status":"completed"`},
	"RequestGroup":          {`"status":"draft"`, `"intent":"proposal"`},
	"ServiceRequest":        {`"status":"active"`, `"intent":"order"`, `"subject":{"reference":"Patient/p"}`},
	"Subscription": {
		`"status":"off"`, `"reason":"test"`, `"criteria":"Task?"`, `"channel":{"type":"rest-hook","endpoint":"https://screen.example"}`,
	},
	"Task": {`"status":"ready"`, `"intent":"order"`},
}

// completed adds what R4 requires and a test does not say.
func completed(resourceType, id string, version int64, body string) string {
	doc, _ := tree.Parse([]byte(body))
	if doc == nil || doc.Root.Get("resourceType") == nil {
		return body
	}
	more := append([]string{fmt.Sprintf(`"id":%q`, id), fmt.Sprintf(`"meta":{"versionId":"%d"}`, version)}, needs[resourceType]...)
	var add strings.Builder
	for _, member := range more {
		name, _, _ := strings.Cut(strings.TrimPrefix(member, `"`), `"`)
		if doc.Root.Get(name) == nil {
			add.WriteString("," + member)
		}
	}
	end := strings.LastIndexByte(body, '}')
	return body[:end] + add.String() + body[end:]
}
