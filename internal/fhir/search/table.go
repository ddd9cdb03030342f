package search

// row is a line of the table: code, kind, the published expression as far as it
// concerns the type, and the last step of the definition's URL. The last column is
// for a Reference its only target type, if there is but one, and for a Token on an
// element of type code the system that the code is of, which the element does not say.
type row struct {
	code       string
	kind       Kind
	expression string
	definition string
	of         string
}

const (
	publishedBase = "http://hl7.org/fhir/SearchParameter/"
	ownBase       = "https://fhirsvc.example/fhir/SearchParameter/"
)

// common holds for every type.
func common() []row {
	return []row{
		{"_id", Token, "Resource.id", "Resource-id", ""},
		{"_lastUpdated", Date, "Resource.meta.lastUpdated", "Resource-lastUpdated", ""},
		{"_profile", URI, "Resource.meta.profile", "Resource-profile", ""},
		{"_security", Token, "Resource.meta.security", "Resource-security", ""},
		{"_source", URI, "Resource.meta.source", "Resource-source", ""},
		{"_tag", Token, "Resource.meta.tag", "Resource-tag", ""},
	}
}

// own are the parameters that R4 lacks: it has no search for when a Task is due, nor for
// the issues that are open.
func own() map[string][]row {
	return map[string][]row{
		"Task": {
			{"due-date", Date, "Task.restriction.period.end", "task-due-date", ""},
			{"not-before", Date, "Task.restriction.period.start", "task-not-before", ""},
		},
		"DetectedIssue": {
			{"status", Token, "DetectedIssue.status", "detected-issue-status", "http://hl7.org/fhir/observation-status"},
		},
	}
}

// rows are the parameters of R4 that are served, by type. They are as published in
// hl7.fhir.r4.core 4.0.1; a test compares each with its definition. Left out are
// those of kinds that are not served (number, quantity, composite, special).
func rows() map[string][]row {
	return map[string][]row{
		"AuditEvent": {
			{"action", Token, "AuditEvent.action", "AuditEvent-action", "http://hl7.org/fhir/audit-event-action"},
			{"agent", Reference, "AuditEvent.agent.who", "AuditEvent-agent", ""},
			{"date", Date, "AuditEvent.recorded", "AuditEvent-date", ""},
			{"entity", Reference, "AuditEvent.entity.what", "AuditEvent-entity", ""},
			{"entity-type", Token, "AuditEvent.entity.type", "AuditEvent-entity-type", ""},
			{"outcome", Token, "AuditEvent.outcome", "AuditEvent-outcome", "http://hl7.org/fhir/audit-event-outcome"},
			{"patient", Reference, "AuditEvent.agent.who.where(resolve() is Patient) | AuditEvent.entity.what.where(resolve() is Patient)", "AuditEvent-patient", "Patient"},
			{"policy", URI, "AuditEvent.agent.policy", "AuditEvent-policy", ""},
			{"subtype", Token, "AuditEvent.subtype", "AuditEvent-subtype", ""},
			{"type", Token, "AuditEvent.type", "AuditEvent-type", ""},
		},
		"Patient": {
			{"active", Token, "Patient.active", "Patient-active", ""},
			{"birthdate", Date, "Patient.birthDate", "individual-birthdate", ""},
			{"family", String, "Patient.name.family", "individual-family", ""},
			{"gender", Token, "Patient.gender", "individual-gender", "http://hl7.org/fhir/administrative-gender"},
			{"given", String, "Patient.name.given", "individual-given", ""},
			{"identifier", Token, "Patient.identifier", "Patient-identifier", ""},
			{"name", String, "Patient.name", "Patient-name", ""},
		},
		"Encounter": {
			{"based-on", Reference, "Encounter.basedOn", "Encounter-based-on", "ServiceRequest"},
			{"class", Token, "Encounter.class", "Encounter-class", ""},
			{"date", Date, "Encounter.period", "clinical-date", ""},
			{"identifier", Token, "Encounter.identifier", "clinical-identifier", ""},
			{"location", Reference, "Encounter.location.location", "Encounter-location", "Location"},
			{"part-of", Reference, "Encounter.partOf", "Encounter-part-of", "Encounter"},
			{"participant", Reference, "Encounter.participant.individual", "Encounter-participant", ""},
			{"patient", Reference, "Encounter.subject.where(resolve() is Patient)", "clinical-patient", "Patient"},
			{"practitioner", Reference, "Encounter.participant.individual.where(resolve() is Practitioner)", "Encounter-practitioner", "Practitioner"},
			{"service-provider", Reference, "Encounter.serviceProvider", "Encounter-service-provider", "Organization"},
			{"status", Token, "Encounter.status", "Encounter-status", "http://hl7.org/fhir/encounter-status"},
			{"subject", Reference, "Encounter.subject", "Encounter-subject", ""},
			{"type", Token, "Encounter.type", "clinical-type", ""},
		},
		"Practitioner": {
			{"active", Token, "Practitioner.active", "Practitioner-active", ""},
			{"family", String, "Practitioner.name.family", "individual-family", ""},
			{"given", String, "Practitioner.name.given", "individual-given", ""},
			{"identifier", Token, "Practitioner.identifier", "Practitioner-identifier", ""},
			{"name", String, "Practitioner.name", "Practitioner-name", ""},
		},
		"Procedure": {
			{"based-on", Reference, "Procedure.basedOn", "Procedure-based-on", ""},
			{"category", Token, "Procedure.category", "Procedure-category", ""},
			{"code", Token, "Procedure.code", "clinical-code", ""},
			{"date", Date, "Procedure.performed", "clinical-date", ""},
			{"encounter", Reference, "Procedure.encounter", "clinical-encounter", ""},
			{"identifier", Token, "Procedure.identifier", "clinical-identifier", ""},
			{"location", Reference, "Procedure.location", "Procedure-location", "Location"},
			{"part-of", Reference, "Procedure.partOf", "Procedure-part-of", ""},
			{"patient", Reference, "Procedure.subject.where(resolve() is Patient)", "clinical-patient", "Patient"},
			{"performer", Reference, "Procedure.performer.actor", "Procedure-performer", ""},
			{"reason-code", Token, "Procedure.reasonCode", "Procedure-reason-code", ""},
			{"status", Token, "Procedure.status", "Procedure-status", "http://hl7.org/fhir/event-status"},
			{"subject", Reference, "Procedure.subject", "Procedure-subject", ""},
		},
		"Device": {
			{"identifier", Token, "Device.identifier", "Device-identifier", ""},
			{"location", Reference, "Device.location", "Device-location", "Location"},
			{"organization", Reference, "Device.owner", "Device-organization", "Organization"},
			{"patient", Reference, "Device.patient", "Device-patient", "Patient"},
			{"status", Token, "Device.status", "Device-status", "http://hl7.org/fhir/device-status"},
			{"type", Token, "Device.type", "Device-type", ""},
		},
		"ServiceRequest": {
			{"authored", Date, "ServiceRequest.authoredOn", "ServiceRequest-authored", ""},
			{"based-on", Reference, "ServiceRequest.basedOn", "ServiceRequest-based-on", ""},
			{"body-site", Token, "ServiceRequest.bodySite", "ServiceRequest-body-site", ""},
			{"category", Token, "ServiceRequest.category", "ServiceRequest-category", ""},
			{"code", Token, "ServiceRequest.code", "clinical-code", ""},
			{"encounter", Reference, "ServiceRequest.encounter", "clinical-encounter", ""},
			{"identifier", Token, "ServiceRequest.identifier", "clinical-identifier", ""},
			{"intent", Token, "ServiceRequest.intent", "ServiceRequest-intent", "http://hl7.org/fhir/request-intent"},
			{"occurrence", Date, "ServiceRequest.occurrence", "ServiceRequest-occurrence", ""},
			{"patient", Reference, "ServiceRequest.subject.where(resolve() is Patient)", "clinical-patient", "Patient"},
			{"performer", Reference, "ServiceRequest.performer", "ServiceRequest-performer", ""},
			{"priority", Token, "ServiceRequest.priority", "ServiceRequest-priority", "http://hl7.org/fhir/request-priority"},
			{"replaces", Reference, "ServiceRequest.replaces", "ServiceRequest-replaces", "ServiceRequest"},
			{"requester", Reference, "ServiceRequest.requester", "ServiceRequest-requester", ""},
			{"requisition", Token, "ServiceRequest.requisition", "ServiceRequest-requisition", ""},
			{"status", Token, "ServiceRequest.status", "ServiceRequest-status", "http://hl7.org/fhir/request-status"},
			{"subject", Reference, "ServiceRequest.subject", "ServiceRequest-subject", ""},
		},
		"MedicationAdministration": {
			{"code", Token, "(MedicationAdministration.medication as CodeableConcept)", "clinical-code", ""},
			{"context", Reference, "MedicationAdministration.context", "MedicationAdministration-context", ""},
			{"effective-time", Date, "MedicationAdministration.effective", "MedicationAdministration-effective-time", ""},
			{"identifier", Token, "MedicationAdministration.identifier", "clinical-identifier", ""},
			{"patient", Reference, "MedicationAdministration.subject.where(resolve() is Patient)", "clinical-patient", "Patient"},
			{"performer", Reference, "MedicationAdministration.performer.actor", "MedicationAdministration-performer", ""},
			{"reason-not-given", Token, "MedicationAdministration.statusReason", "MedicationAdministration-reason-not-given", ""},
			{"request", Reference, "MedicationAdministration.request", "MedicationAdministration-request", "MedicationRequest"},
			{"status", Token, "MedicationAdministration.status", "medications-status", "http://terminology.hl7.org/CodeSystem/medication-admin-status"},
			{"subject", Reference, "MedicationAdministration.subject", "MedicationAdministration-subject", ""},
		},
		"CarePlan": {
			{"activity-reference", Reference, "CarePlan.activity.reference", "CarePlan-activity-reference", ""},
			{"based-on", Reference, "CarePlan.basedOn", "CarePlan-based-on", "CarePlan"},
			{"care-team", Reference, "CarePlan.careTeam", "CarePlan-care-team", "CareTeam"},
			{"category", Token, "CarePlan.category", "CarePlan-category", ""},
			{"condition", Reference, "CarePlan.addresses", "CarePlan-condition", "Condition"},
			{"date", Date, "CarePlan.period", "clinical-date", ""},
			{"encounter", Reference, "CarePlan.encounter", "CarePlan-encounter", "Encounter"},
			{"identifier", Token, "CarePlan.identifier", "clinical-identifier", ""},
			{"instantiates-canonical", Reference, "CarePlan.instantiatesCanonical", "CarePlan-instantiates-canonical", ""},
			{"intent", Token, "CarePlan.intent", "CarePlan-intent", "http://hl7.org/fhir/request-intent"},
			{"part-of", Reference, "CarePlan.partOf", "CarePlan-part-of", "CarePlan"},
			{"patient", Reference, "CarePlan.subject.where(resolve() is Patient)", "clinical-patient", "Patient"},
			{"replaces", Reference, "CarePlan.replaces", "CarePlan-replaces", "CarePlan"},
			{"status", Token, "CarePlan.status", "CarePlan-status", "http://hl7.org/fhir/request-status"},
			{"subject", Reference, "CarePlan.subject", "CarePlan-subject", ""},
		},
		"Task": {
			{"authored-on", Date, "Task.authoredOn", "Task-authored-on", ""},
			{"based-on", Reference, "Task.basedOn", "Task-based-on", ""},
			{"business-status", Token, "Task.businessStatus", "Task-business-status", ""},
			{"code", Token, "Task.code", "Task-code", ""},
			{"encounter", Reference, "Task.encounter", "Task-encounter", "Encounter"},
			{"focus", Reference, "Task.focus", "Task-focus", ""},
			{"group-identifier", Token, "Task.groupIdentifier", "Task-group-identifier", ""},
			{"identifier", Token, "Task.identifier", "Task-identifier", ""},
			{"intent", Token, "Task.intent", "Task-intent", "http://hl7.org/fhir/request-intent"},
			{"modified", Date, "Task.lastModified", "Task-modified", ""},
			{"owner", Reference, "Task.owner", "Task-owner", ""},
			{"part-of", Reference, "Task.partOf", "Task-part-of", "Task"},
			{"patient", Reference, "Task.for.where(resolve() is Patient)", "Task-patient", "Patient"},
			{"performer", Token, "Task.performerType", "Task-performer", ""},
			{"period", Date, "Task.executionPeriod", "Task-period", ""},
			{"priority", Token, "Task.priority", "Task-priority", "http://hl7.org/fhir/request-priority"},
			{"requester", Reference, "Task.requester", "Task-requester", ""},
			{"status", Token, "Task.status", "Task-status", "http://hl7.org/fhir/task-status"},
			{"subject", Reference, "Task.for", "Task-subject", ""},
		},
		"Observation": {
			{"based-on", Reference, "Observation.basedOn", "Observation-based-on", ""},
			{"category", Token, "Observation.category", "Observation-category", ""},
			{"code", Token, "Observation.code", "clinical-code", ""},
			{"combo-code", Token, "Observation.code | Observation.component.code", "Observation-combo-code", ""},
			{"component-code", Token, "Observation.component.code", "Observation-component-code", ""},
			{"component-value-concept", Token, "(Observation.component.value as CodeableConcept)", "Observation-component-value-concept", ""},
			{"data-absent-reason", Token, "Observation.dataAbsentReason", "Observation-data-absent-reason", ""},
			{"date", Date, "Observation.effective", "clinical-date", ""},
			{"derived-from", Reference, "Observation.derivedFrom", "Observation-derived-from", ""},
			{"device", Reference, "Observation.device", "Observation-device", ""},
			{"encounter", Reference, "Observation.encounter", "clinical-encounter", ""},
			{"focus", Reference, "Observation.focus", "Observation-focus", ""},
			{"has-member", Reference, "Observation.hasMember", "Observation-has-member", ""},
			{"identifier", Token, "Observation.identifier", "clinical-identifier", ""},
			{"method", Token, "Observation.method", "Observation-method", ""},
			{"part-of", Reference, "Observation.partOf", "Observation-part-of", ""},
			{"patient", Reference, "Observation.subject.where(resolve() is Patient)", "clinical-patient", "Patient"},
			{"performer", Reference, "Observation.performer", "Observation-performer", ""},
			{"status", Token, "Observation.status", "Observation-status", "http://hl7.org/fhir/observation-status"},
			{"subject", Reference, "Observation.subject", "Observation-subject", ""},
			{"value-concept", Token, "(Observation.value as CodeableConcept)", "Observation-value-concept", ""},
			{"value-date", Date, "(Observation.value as dateTime) | (Observation.value as Period)", "Observation-value-date", ""},
		},
		"Flag": {
			{"author", Reference, "Flag.author", "Flag-author", ""},
			{"date", Date, "Flag.period", "clinical-date", ""},
			{"encounter", Reference, "Flag.encounter", "clinical-encounter", ""},
			{"identifier", Token, "Flag.identifier", "Flag-identifier", ""},
			{"patient", Reference, "Flag.subject.where(resolve() is Patient)", "clinical-patient", "Patient"},
			{"subject", Reference, "Flag.subject", "Flag-subject", ""},
		},
		"DetectedIssue": {
			{"author", Reference, "DetectedIssue.author", "DetectedIssue-author", ""},
			{"code", Token, "DetectedIssue.code", "DetectedIssue-code", ""},
			{"identified", Date, "DetectedIssue.identified", "DetectedIssue-identified", ""},
			{"identifier", Token, "DetectedIssue.identifier", "clinical-identifier", ""},
			{"implicated", Reference, "DetectedIssue.implicated", "DetectedIssue-implicated", ""},
			{"patient", Reference, "DetectedIssue.patient", "clinical-patient", ""},
		},
		"Communication": {
			{"based-on", Reference, "Communication.basedOn", "Communication-based-on", ""},
			{"category", Token, "Communication.category", "Communication-category", ""},
			{"encounter", Reference, "Communication.encounter", "Communication-encounter", "Encounter"},
			{"identifier", Token, "Communication.identifier", "Communication-identifier", ""},
			{"instantiates-canonical", Reference, "Communication.instantiatesCanonical", "Communication-instantiates-canonical", ""},
			{"instantiates-uri", URI, "Communication.instantiatesUri", "Communication-instantiates-uri", ""},
			{"medium", Token, "Communication.medium", "Communication-medium", ""},
			{"part-of", Reference, "Communication.partOf", "Communication-part-of", ""},
			{"patient", Reference, "Communication.subject.where(resolve() is Patient)", "Communication-patient", "Patient"},
			{"received", Date, "Communication.received", "Communication-received", ""},
			{"recipient", Reference, "Communication.recipient", "Communication-recipient", ""},
			{"sender", Reference, "Communication.sender", "Communication-sender", ""},
			{"sent", Date, "Communication.sent", "Communication-sent", ""},
			{"status", Token, "Communication.status", "Communication-status", "http://hl7.org/fhir/event-status"},
			{"subject", Reference, "Communication.subject", "Communication-subject", ""},
		},
		"Provenance": {
			{"agent", Reference, "Provenance.agent.who", "Provenance-agent", ""},
			{"agent-type", Token, "Provenance.agent.type", "Provenance-agent-type", ""},
			{"entity", Reference, "Provenance.entity.what", "Provenance-entity", ""},
			{"patient", Reference, "Provenance.target.where(resolve() is Patient)", "Provenance-patient", "Patient"},
			{"recorded", Date, "Provenance.recorded", "Provenance-recorded", ""},
			{"target", Reference, "Provenance.target", "Provenance-target", ""},
			{"when", Date, "(Provenance.occurred as dateTime)", "Provenance-when", ""},
		},
		"PlanDefinition": {
			{"context", Token, "(PlanDefinition.useContext.value as CodeableConcept)", "PlanDefinition-context", ""},
			{"context-type", Token, "PlanDefinition.useContext.code", "PlanDefinition-context-type", ""},
			{"date", Date, "PlanDefinition.date", "PlanDefinition-date", ""},
			{"definition", Reference, "PlanDefinition.action.definition", "PlanDefinition-definition", ""},
			{"depends-on", Reference, "PlanDefinition.relatedArtifact.where(type='depends-on').resource | PlanDefinition.library", "PlanDefinition-depends-on", ""},
			{"description", String, "PlanDefinition.description", "PlanDefinition-description", ""},
			{"effective", Date, "PlanDefinition.effectivePeriod", "PlanDefinition-effective", ""},
			{"identifier", Token, "PlanDefinition.identifier", "PlanDefinition-identifier", ""},
			{"name", String, "PlanDefinition.name", "PlanDefinition-name", ""},
			{"publisher", String, "PlanDefinition.publisher", "PlanDefinition-publisher", ""},
			{"status", Token, "PlanDefinition.status", "PlanDefinition-status", "http://hl7.org/fhir/publication-status"},
			{"title", String, "PlanDefinition.title", "PlanDefinition-title", ""},
			{"topic", Token, "PlanDefinition.topic", "PlanDefinition-topic", ""},
			{"type", Token, "PlanDefinition.type", "PlanDefinition-type", ""},
			{"url", URI, "PlanDefinition.url", "PlanDefinition-url", ""},
			{"version", Token, "PlanDefinition.version", "PlanDefinition-version", ""},
		},
		"CodeSystem": {
			{"code", Token, "CodeSystem.concept.code", "CodeSystem-code", ""},
			{"content-mode", Token, "CodeSystem.content", "CodeSystem-content-mode", "http://hl7.org/fhir/codesystem-content-mode"},
			{"date", Date, "CodeSystem.date", "conformance-date", ""},
			{"description", String, "CodeSystem.description", "conformance-description", ""},
			{"identifier", Token, "CodeSystem.identifier", "conformance-identifier", ""},
			{"name", String, "CodeSystem.name", "conformance-name", ""},
			{"publisher", String, "CodeSystem.publisher", "conformance-publisher", ""},
			{"status", Token, "CodeSystem.status", "conformance-status", "http://hl7.org/fhir/publication-status"},
			{"system", URI, "CodeSystem.url", "CodeSystem-system", ""},
			{"title", String, "CodeSystem.title", "conformance-title", ""},
			{"url", URI, "CodeSystem.url", "conformance-url", ""},
			{"version", Token, "CodeSystem.version", "conformance-version", ""},
		},
		"SearchParameter": {
			{"base", Token, "SearchParameter.base", "SearchParameter-base", "http://hl7.org/fhir/resource-types"},
			{"code", Token, "SearchParameter.code", "SearchParameter-code", ""},
			{"date", Date, "SearchParameter.date", "conformance-date", ""},
			{"derived-from", Reference, "SearchParameter.derivedFrom", "SearchParameter-derived-from", "SearchParameter"},
			{"description", String, "SearchParameter.description", "conformance-description", ""},
			{"name", String, "SearchParameter.name", "conformance-name", ""},
			{"publisher", String, "SearchParameter.publisher", "conformance-publisher", ""},
			{"status", Token, "SearchParameter.status", "conformance-status", "http://hl7.org/fhir/publication-status"},
			{"target", Token, "SearchParameter.target", "SearchParameter-target", "http://hl7.org/fhir/resource-types"},
			{"type", Token, "SearchParameter.type", "SearchParameter-type", "http://hl7.org/fhir/search-param-type"},
			{"url", URI, "SearchParameter.url", "conformance-url", ""},
			{"version", Token, "SearchParameter.version", "conformance-version", ""},
		},
	}
}
