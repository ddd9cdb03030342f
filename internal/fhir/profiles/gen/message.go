package main

import (
	"slices"

	"fhirsvc/internal/fhir"
)

// incoming are the event that starts a plan, and the doses and orders that change one.
func incoming() []profile {
	return []profile{completedMessage(), completedHeader(), procedure(), dose(), order()}
}

func dose() profile {
	return profile{
		id: "medication-given", name: "MedicationGiven", title: "Medication given", kind: "MedicationAdministration",
		description: "What was given to a patient with a compression band. An anticoagulant that is given while the band is on " +
			"stops the release until a prescriber has decided; its kind is read from the code.",
		rules: []rule{
			{id: "MedicationAdministration.status", must: true},
			{id: "MedicationAdministration.medication[x]", short: "Coded, best by ATC", must: true, constraints: []constraint{
				must("med-1", "What was given is coded, or a Medication says it", "($this is Reference) or coding.exists()"),
			}},
			{
				id: "MedicationAdministration.subject", types: referenceTo("Patient"), must: true,
				constraints: []constraint{
					must("med-2", "The patient is named by reference or by identifier", "reference.exists() or identifier.exists()"),
				},
			},
			{id: "MedicationAdministration.context", must: true},
			{id: "MedicationAdministration.effective[x]", must: true, constraints: []constraint{
				must("med-3", "When it was given is a time of day with an offset, not a date alone",
					"($this is Period and (start | end).all($this.toString().contains('T'))) or $this.toString().contains('T')"),
			}},
			{id: "MedicationAdministration.performer", must: true},
			{id: "MedicationAdministration.partOf", must: true},
		},
	}
}

func completedMessage() profile {
	const header, procedure = "Bundle.entry:header", "Bundle.entry:procedure"
	return profile{
		id: "procedure-completed-message", name: "ProcedureCompletedMessage", title: "Message: procedure completed", kind: "Bundle",
		description: "A catheterization procedure was completed, corrected or withdrawn. The first entry is the MessageHeader, its " +
			"focus the Procedure; patient, encounter, people, findings, dose, device and request may stand beside it.",
		rules: []rule{
			{id: "Bundle", constraints: []constraint{
				must("pcm-1", "The focus of the MessageHeader is the Procedure in this Bundle",
					"entry.first().resource.focus.resolve().where($this is Procedure).exists()"),
				must("pcm-2", "The patient is in the Bundle, or subject carries an identifier",
					"entry.resource.where($this is Procedure).subject.all(identifier.exists() or resolve().exists())"),
			}},
			{id: "Bundle.type", fixed: fixedCode("message"), must: true},
			{id: "Bundle.timestamp", card: "1..1", short: "Orders the events of one procedure", must: true},
			{id: "Bundle.entry", card: "2..*", slicing: &slicing{[]discriminator{{"type", "resource"}}, "open"}, must: true},
			{id: header, card: "1..1"},
			{id: header + ".resource", card: "1..1", types: of("MessageHeader")},
			{id: procedure, card: "1..*"},
			{id: procedure + ".resource", card: "1..1", types: of("Procedure")},
		},
	}
}

func completedHeader() profile {
	return profile{
		id: "procedure-completed-header", name: "ProcedureCompletedHeader", title: "Header: procedure completed", kind: "MessageHeader",
		description: "The event, who sent it and what it is about. source.endpoint and id are the identity of the message: accepted " +
			"once, it is final.",
		rules: []rule{
			{id: "MessageHeader.id", card: "1..1", must: true},
			{id: "MessageHeader.event[x]", types: of("Coding"), must: true, pattern: &value{
				"Coding", map[string]string{"system": fhir.SystemLocal, "code": string(fhir.CodeProcedureCompleted)},
			}},
			{id: "MessageHeader.source.endpoint", must: true},
			{id: "MessageHeader.focus", card: "1..*", short: "The Procedure", must: true},
		},
	}
}

func procedure() profile {
	return profile{
		id: "catheterization-procedure", name: "CatheterizationProcedure", title: "Catheterization procedure", kind: "Procedure",
		description: "The procedure that a compression band follows on. Its identifier, with the ordinal of the radial site, is the " +
			"identity of the plan; a repeat may correct all else.",
		rules: []rule{
			{id: "Procedure", constraints: []constraint{
				should("cat-1", "bodySite says by which artery, and on which side",
					"bodySite.exists() or extension.where(url = '"+fhir.ExtensionProcedureMethod+"').exists()"),
			}},
			{id: "Procedure.identifier", card: "1..*", must: true, constraints: []constraint{
				must("cat-2", "An identifier has a value", "value.exists()"),
			}},
			{id: "Procedure.status", binding: from("required", "procedure-status"), must: true},
			{id: "Procedure.code", card: "1..1", binding: from("extensible", "procedure-kind"), must: true},
			{
				id: "Procedure.subject", types: referenceTo("Patient"), must: true,
				constraints: []constraint{
					must("cat-3", "The patient is named by reference or by identifier", "reference.exists() or identifier.exists()"),
				},
			},
			{id: "Procedure.encounter", must: true},
			{id: "Procedure.performed[x]", types: of("Period", "dateTime"), must: true},
			{id: "Procedure.performer", must: true},
			{id: "Procedure.location", short: "The unit, by its identifier", must: true},
			{id: "Procedure.bodySite", binding: from("preferred", "access-site"), must: true},
		},
	}
}

func order() profile {
	kind := func(codes string) string {
		return "code.coding.where(system = '" + fhir.SystemLocal + "').code.where($this in (" + codes + ")).empty()"
	}
	return profile{
		id: "release-order", name: "ReleaseOrder", title: "Order around the release", kind: "ServiceRequest",
		description: "An order of a clinician or nurse that changes a release plan. What it orders stands in code, why in reasonCode.",
		rules: []rule{
			{id: "ServiceRequest", constraints: []constraint{
				must("ord-1", "To pause the release, occurrencePeriod.end says until when",
					kind("'pause-release'")+" or occurrence.ofType(Period).end.exists()"),
				must("ord-2", "To move the next step, occurrenceDateTime says to when",
					kind("'override-time'")+" or occurrence.ofType(dateTime).exists()"),
				must("ord-3", "To order a volume, quantityQuantity says how much, in mL",
					kind("'override-volume' | 'adjust-volume'")+" or quantity.ofType(Quantity).where(value >= 0 and system = '"+
						fhir.SystemUCUM+"' and (code = 'mL' or code = 'ml') and comparator.empty()).exists()"),
				must("ord-4", "The reason is text or a code", "reasonCode.where(text.exists() or coding.exists()).exists()"),
			}},
			{id: "ServiceRequest.status", fixed: fixedCode("active"), must: true},
			{id: "ServiceRequest.intent", fixed: fixedCode("order"), must: true},
			{id: "ServiceRequest.code", card: "1..1", binding: from("required", "order-kind"), must: true},
			{
				id: "ServiceRequest.subject", types: referenceTo("Patient"), must: true,
				constraints: []constraint{
					must("ord-5", "The patient is named by reference or by identifier", "reference.exists() or identifier.exists()"),
				},
			},
			{id: "ServiceRequest.requester", card: "1..1", must: true},
			{id: "ServiceRequest.reasonCode", card: "1..*", must: true},
			{id: "ServiceRequest.supportingInfo", short: "The procedure, where two plans are open", must: true},
			{id: "ServiceRequest.bodySite", must: true},
		},
	}
}

// profiles gives all profiles; one that derives from another comes after it.
func profiles() []profile {
	return slices.Concat(bedside(), care(), incoming(), protocols(), audit())
}

// profileOf gives a profile by id; one of this package names it.
func profileOf(id string) profile {
	for _, p := range profiles() {
		if p.id == id {
			return p
		}
	}
	panic("no profile " + id)
}
