package main

import "fhirsvc/internal/fhir"

func issue() profile {
	return profile{
		id: "compression-release-issue", name: "CompressionReleaseIssue", title: "Contradiction between findings", kind: "DetectedIssue",
		description: "Findings that contradict each other, or that may be one: all are kept, and a person settles what is true.",
		rules: []rule{
			{id: "DetectedIssue", constraints: []constraint{
				must("iss-1", "Only a contradiction that is settled says how", "mitigation.exists() implies status = 'final'"),
			}},
			{id: "DetectedIssue.text", card: "1..1", must: true},
			{id: "DetectedIssue.identifier", card: "1..1", short: "The episode, the kind and which of them it is", must: true},
			{id: "DetectedIssue.status", short: "preliminary while it is open, then final", binding: from("required", "issue-status"), must: true},
			{id: "DetectedIssue.code", card: "1..1", binding: from("required", "issue-kind"), must: true},
			{id: "DetectedIssue.severity", card: "1..1", must: true},
			{id: "DetectedIssue.patient", card: "1..1", types: referenceTo("Patient"), must: true},
			{id: "DetectedIssue.identified[x]", card: "1..1", types: of("dateTime"), must: true},
			{id: "DetectedIssue.author", card: "1..1", short: "The service", types: referenceTo("Device"), must: true},
			{id: "DetectedIssue.implicated", short: "The findings", types: referenceTo("Observation", "MedicationAdministration"), must: true},
			{id: "DetectedIssue.detail", must: true},
			{id: "DetectedIssue.mitigation", card: "0..1", short: "What settled it, and when", must: true},
		},
	}
}

func call() profile {
	return profile{
		id: "compression-release-call", name: "CompressionReleaseCall", title: "Call about a Task", kind: "Communication",
		description: "Somebody is to be told of a Task, because it is late or a clinician has to decide. It says who is called, " +
			"not that a message was delivered.",
		rules: []rule{
			{id: "Communication", constraints: []constraint{
				must("cal-1", "A call is completed when it was answered, and not before", "(status = 'completed') = received.exists()"),
			}},
			{id: "Communication.text", card: "1..1", must: true},
			{id: "Communication.identifier", card: "1..1", short: "The episode, the Task and which of its calls it is", must: true},
			{id: "Communication.basedOn", card: "1..1", types: referenceTo("CarePlan"), must: true},
			{id: "Communication.status", short: "in-progress until somebody answers", binding: from("required", "call-status"), must: true},
			{id: "Communication.category", card: "1..*", pattern: coded(fhir.SystemMessageKind, "alert"), must: true},
			{id: "Communication.priority", card: "1..1", must: true},
			{id: "Communication.subject", card: "1..1", types: referenceTo("Patient"), must: true},
			{id: "Communication.about", card: "1..1", types: referenceTo("Task"), must: true},
			{id: "Communication.encounter", must: true},
			{id: "Communication.sent", card: "1..1", must: true},
			{id: "Communication.received", short: "When it was answered", must: true},
			{id: "Communication.recipient", card: "0..1", short: "The role that is called", types: referenceTo("PractitionerRole"), must: true},
			{id: "Communication.sender", card: "1..1", short: "The service", types: referenceTo("Device"), must: true},
			{id: "Communication.payload", card: "1..1", must: true},
			{id: "Communication.payload.content[x]", types: of("string"), must: true},
			{id: "Communication.note", short: "Who answered", must: true},
		},
	}
}
