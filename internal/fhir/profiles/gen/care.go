package main

import "fhirsvc/internal/fhir"

// care are what the service itself writes: the plan and its Tasks, what contradicts what,
// and who was called.
func care() []profile { return []profile{carePlan(), task(), issue(), call(), picture()} }

func carePlan() profile {
	return profile{
		id: "compression-release-plan", name: "CompressionReleasePlan", title: "Compression release plan", kind: "CarePlan",
		description: "The plan for the stepwise release of one radial compression band: one for each wrist of a procedure. " +
			"It schedules and documents, and never decides treatment.",
		rules: []rule{
			{id: "CarePlan", constraints: []constraint{
				must("cpl-2", "A plan that is at work has at least one Task", "(status in ('active' | 'on-hold')).not() or activity.exists()"),
			}},
			{id: "CarePlan.text", card: "1..1", must: true},
			{id: "CarePlan.identifier", card: "1..*", short: "The episode", must: true, constraints: []constraint{
				must("cpl-1", "An identifier has a value", "value.exists()"),
			}},
			{id: "CarePlan.instantiatesCanonical", card: "0..1", short: "The protocol, with its version", must: true},
			{id: "CarePlan.status", binding: from("required", "plan-status"), must: true},
			{id: "CarePlan.intent", fixed: fixedCode("plan"), must: true},
			{id: "CarePlan.category", card: "1..*", pattern: local(fhir.CodeReleasePlan), must: true},
			{id: "CarePlan.title", card: "1..1", must: true},
			{id: "CarePlan.subject", types: referenceTo("Patient"), must: true},
			{id: "CarePlan.encounter", must: true},
			{id: "CarePlan.period", short: "From the start of compression to the forecast end", must: true},
			{id: "CarePlan.author", card: "1..1", must: true},
			{id: "CarePlan.supportingInfo", types: referenceTo("Procedure"), short: "The procedure", must: true},
			{id: "CarePlan.activity.detail", card: "0..0"},
			{id: "CarePlan.activity.reference", card: "1..1", types: referenceTo("Task"), must: true},
			{id: "CarePlan.note", card: "1..*", short: "The caution, the protocol, and what withholds the next step", must: true},
		},
	}
}

func task() profile {
	return profile{
		id: "compression-release-task", name: "CompressionReleaseTask", title: "Task of a compression release plan", kind: "Task",
		description: "One act around the release of a radial compression band, with its earliest time and when it is due. " +
			"Its window stands in restriction.period without a focus.",
		rules: append([]rule{
			{id: "Task", constraints: []constraint{
				must("tsk-1", "A Task that was withheld, cancelled, refused or failed says why",
					"(status in ('on-hold' | 'cancelled' | 'rejected' | 'failed')).not() or statusReason.exists()"),
			}},
			{id: "Task.basedOn", types: referenceTo("ServiceRequest"), must: true},
			{id: "Task.groupIdentifier", short: "The episode", must: true},
			{id: "Task.status", binding: from("required", "task-status"), must: true},
			{id: "Task.statusReason", must: true},
			{id: "Task.businessStatus", short: "Lateness; absent while in time", binding: from("required", "lateness"), must: true},
			{id: "Task.intent", fixed: fixedCode("order"), must: true},
			{id: "Task.priority", card: "1..1", must: true},
			{id: "Task.code", card: "1..1", binding: from("required", "task-kind"), must: true},
			{id: "Task.description", card: "1..1", must: true},
			{id: "Task.focus", card: "0..0"},
			{id: "Task.for", card: "1..1", types: referenceTo("Patient"), must: true},
			{id: "Task.encounter", must: true},
			{id: "Task.executionPeriod", must: true},
			{id: "Task.authoredOn", card: "1..1", must: true},
			{id: "Task.lastModified", card: "1..1", must: true},
			{id: "Task.owner", must: true},
			{id: "Task.reasonReference", types: referenceTo("Procedure"), must: true},
			{id: "Task.note", must: true},
			{id: "Task.restriction.period", short: "start: the earliest time; end: when it is due", card: "1..1", must: true},
		}, taskParts()...),
	}
}

// taskParts are what a Task asks for and what came of it.
func taskParts() []rule {
	const volume, wanted, form = "Task.input:plannedVolume", "Task.input:requiredFinding", "Task.input:questionnaire"
	return append(append([]rule{
		{id: "Task.input", slicing: byCode("type"), must: true},
		{id: "Task.input.type", binding: from("required", "task-input")},
		{id: volume, card: "0..1"},
		{id: volume + ".type", pattern: local(fhir.CodePlannedVolume)},
		{id: volume + ".value[x]", types: of("Quantity"), constraints: notNegative("tsk-2")},
	}, quantity(volume+".value[x]", fixedCode(fhir.UnitMillilitre), nil)...), []rule{
		{id: wanted, card: "0..*"},
		{id: wanted + ".type", pattern: local(fhir.CodeRequiredFinding)},
		{id: wanted + ".value[x]", types: of("CodeableConcept"), binding: from("required", "finding")},
		{id: form, card: "0..1"},
		{id: form + ".type", pattern: local(fhir.CodeQuestionnaire)},
		{id: form + ".value[x]", types: of("canonical")},
		{id: "Task.output", must: true},
		{id: "Task.output.value[x]", types: referenceTo("Observation", "MedicationAdministration"), must: true},
	}...)
}
