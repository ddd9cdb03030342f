package main

import "fhirsvc/internal/fhir"

func picture() profile {
	return profile{
		id: "compression-release-timeline", name: "CompressionReleaseTimeline", title: "Picture of what happened to a band", kind: "DocumentReference",
		description: "What happened to one radial compression band, as a picture and as a list in words, kept when its plan ended. " +
			"A later correction makes a new version. Nobody has signed it.",
		rules: []rule{
			{id: "DocumentReference", constraints: []constraint{
				must("tml-1", "It is current, or superseded while the plan runs again", "status = 'current' or status = 'superseded'"),
			}},
			{id: "DocumentReference.text", card: "1..1", short: "The same in words", must: true},
			{id: "DocumentReference.identifier", card: "1..1", short: "The episode and what it is of", must: true},
			{id: "DocumentReference.status", must: true},
			{id: "DocumentReference.docStatus", card: "1..1", fixed: fixedCode("preliminary"), must: true},
			{id: "DocumentReference.type", card: "1..1", pattern: local(fhir.CodeTimeline), must: true},
			{id: "DocumentReference.subject", card: "1..1", types: referenceTo("Patient"), must: true},
			{id: "DocumentReference.date", card: "1..1", short: "When it was drawn", must: true},
			{id: "DocumentReference.author", card: "1..1", short: "The service", types: referenceTo("Device"), must: true},
			{id: "DocumentReference.description", card: "1..1", must: true},
			{id: "DocumentReference.content", card: "1..1", must: true},
			{id: "DocumentReference.content.attachment.contentType", card: "1..1", fixed: fixedCode(fhir.Image), must: true},
			{id: "DocumentReference.content.attachment.data", card: "1..1", short: "The picture, SVG in UTF-8", must: true},
			{id: "DocumentReference.content.attachment.size", card: "1..1", must: true},
			{id: "DocumentReference.content.attachment.hash", card: "1..1", must: true},
			{id: "DocumentReference.content.attachment.title", card: "1..1", must: true},
			{id: "DocumentReference.context", card: "1..1", must: true},
			{id: "DocumentReference.context.encounter", types: referenceTo("Encounter"), must: true},
			{id: "DocumentReference.context.period", short: "From the start of compression to the end of the plan", must: true},
			{id: "DocumentReference.context.related", card: "1..*", short: "The plan and the procedure", types: referenceTo("CarePlan", "Procedure"), must: true},
		},
	}
}
