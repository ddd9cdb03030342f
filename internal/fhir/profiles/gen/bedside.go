package main

import "fhirsvc/internal/fhir"

const finding = "bedside-finding"

// bedside are the findings that nurses chart: one base, and a profile for each.
func bedside() []profile {
	list := []profile{bedsideFinding(), bleeding(), patency(), pulse()}
	list = append(list, volumes()...)
	return append(list, compressionStart(), bandState(), haematoma(), hand(), condition(), pain())
}

func bedsideFinding() profile {
	const counts = "(status in ('final' | 'amended' | 'corrected' | 'preliminary'))"
	return profile{
		id: finding, name: "BedsideFinding", title: "Bedside finding", kind: "Observation", abstract: true,
		description: "What all findings around the release of a radial compression band have in common: " +
			"whom they are about, when it was found, by whom, and a value or the reason why there is none.",
		rules: []rule{
			{id: "Observation", constraints: []constraint{
				must("bed-1", "A finding that counts has a value, or dataAbsentReason says why there is none",
					counts+".not() or value.exists() or dataAbsentReason.exists()"),
			}},
			{id: "Observation.status", must: true},
			{id: "Observation.code", must: true},
			{
				id: "Observation.subject", card: "1..1", types: referenceTo("Patient"), must: true,
				short: "The patient, by reference or by identifier",
				constraints: []constraint{
					must("bed-2", "The patient is named by reference or by identifier", "reference.exists() or identifier.exists()"),
				},
			},
			{id: "Observation.encounter", must: true},
			{
				id: "Observation.effective[x]", card: "1..1", types: of("dateTime", "Period", "instant"), must: true,
				short: "When it was found; of a period, its end",
				constraints: []constraint{
					must("bed-3", "When it was found is a time of day with an offset, not a date alone",
						"($this is Period and (end | start).first().toString().contains('T')) or $this.toString().contains('T')"),
				},
			},
			{id: "Observation.performer", short: "Who looked; without one, whoever sent it", must: true},
			{
				id: "Observation.dataAbsentReason", binding: from("extensible", "absent-reason"), must: true,
				short: "not-performed: not done; could-not-assess: tried, and could not tell",
			},
			{id: "Observation.bodySite", short: "The wrist, with its side", binding: from("preferred", "access-site"), must: true},
			{id: "Observation.partOf", must: true},
		},
	}
}

// answered is a finding whose value is one of a value set.
func answered(id, name, title, description string, code *value, set string, more ...rule) profile {
	rules := append([]rule{
		{id: "Observation.code", pattern: code},
		{id: "Observation.value[x]", types: of("CodeableConcept"), binding: from("required", set), must: true},
	}, more...)
	return profile{id: id, name: name, title: title, kind: "Observation", base: finding, description: description, rules: rules}
}

func bleeding() profile {
	return answered("access-site-bleeding", "AccessSiteBleeding", "Bleeding at the access site",
		"Whether the arterial access site bleeds. Oozing withholds release; active bleeding asks for air back at once.",
		local(fhir.CodeAccessSiteBleeding), "bleeding-answer")
}

func patency() profile {
	slices := components(
		part{"method", local(fhir.CodePatencyMethod), "CodeableConcept", from("required", "patency-method")},
		part{"probeFinger", local(fhir.CodeProbeFinger), "", nil},
		part{"arteryCompressed", local(fhir.CodeArteryCompressed), "", nil},
		part{"barbeau", local(fhir.CodeBarbeauType), "CodeableConcept", from("required", "barbeau-type")},
	)
	method := rule{
		id: "Observation.method", binding: from("required", "patency-method"), must: true,
		short: "How it was tested; without it, a waveform with the ulnar artery compressed",
	}
	return answered("radial-patency-test", "RadialPatencyTest", "Radial artery patency test",
		"Whether blood flows through the radial artery. The method counts: a waveform without ulnar compression shows no open radial artery.",
		local(fhir.CodeRadialPatencyTest), "patency-answer", append([]rule{method}, slices...)...)
}

func pulse() profile {
	return answered("distal-radial-pulse", "DistalRadialPulse", "Distal radial pulse",
		"The pulse beyond the compression band, by palpation.",
		coded(fhir.SystemLOINC, "44974-4"), "pulse-answer")
}

func volumes() []profile {
	volume := func(id, name, title, description string, code fhir.Code) profile {
		rules := append([]rule{
			{id: "Observation.code", pattern: local(code)},
			{id: "Observation.value[x]", types: of("Quantity"), constraints: notNegative("vol-1"), must: true},
		}, quantity("Observation.value[x]", nil, from("required", "air-volume-unit"))...)
		return profile{id: id, name: name, title: title, kind: "Observation", base: finding, description: description, rules: rules}
	}
	count := volume("band-air-volume", "BandAirVolume", "Air in the band", "The air in the compression band, counted.", fhir.CodeBandAirVolume)
	count.rules = append(count.rules, components(part{"titrated", local(fhir.CodeTitrated), "", nil})...)
	return []profile{
		count,
		volume("band-air-removed", "BandAirRemoved", "Air removed from the band", "The air that was taken out of the band.", fhir.CodeBandAirRemoved),
		volume("band-air-added", "BandAirAdded", "Air added to the band", "The air that was put into the band.", fhir.CodeBandAirAdded),
	}
}

func compressionStart() profile {
	return profile{
		id: "compression-start", name: "CompressionStart", title: "Start of compression", kind: "Observation", base: finding,
		description: "When the sheath came out under the inflated band: what all times of the plan are counted from.",
		rules: []rule{
			{id: "Observation.code", pattern: local(fhir.CodeCompressionStart)},
			{id: "Observation.value[x]", types: of("dateTime"), must: true, constraints: []constraint{
				must("cst-1", "The start is a time of day with an offset, not a date alone", "toString().contains('T')"),
			}},
		},
	}
}

func bandState() profile {
	return answered("band-state", "BandState", "State of the band",
		"Whether a compression band is on, and how it sits.", local(fhir.CodeBandState), "band-state-answer")
}

func haematoma() profile {
	slices := components(
		part{"diameter", local(fhir.CodeHaematomaDiameter), "Quantity", nil},
		part{"grade", local(fhir.CodeHaematomaGrade), "CodeableConcept", from("required", "haematoma-grade")},
	)
	slices = append(slices, quantity("Observation.component:diameter.value[x]", fixedCode(fhir.UnitCentimetre), nil)...)
	return answered("access-site-haematoma", "AccessSiteHaematoma", "Haematoma at the access site",
		"Whether there is a haematoma at the access site or in the forearm, its largest diameter and its grade.",
		local(fhir.CodeAccessSiteHaematoma), "haematoma-answer", slices...)
}

func hand() profile {
	slices := components(
		part{"colour", coded(fhir.SystemLOINC, "39107-8"), "", from("extensible", "hand-colour-answer")},
		part{"temperature", coded(fhir.SystemLOINC, "39106-0"), "", from("extensible", "hand-temperature-answer")},
		part{"refill", coded(fhir.SystemLOINC, "44963-7"), "Quantity", nil},
		part{"sensation", local(fhir.CodeHandSensation), "", from("extensible", "hand-sensation-answer")},
		part{"movement", local(fhir.CodeHandMovement), "", from("extensible", "hand-movement-answer")},
		part{"swelling", local(fhir.CodeHandSwelling), "", from("extensible", "hand-swelling-answer")},
		part{"pain", local(fhir.CodeHandPain), "", from("extensible", "hand-pain-answer")},
	)
	slices = append(slices, quantity("Observation.component:refill.value[x]", fixedCode(fhir.UnitSecond), nil)...)
	return answered("hand-check", "HandCheck", "Hand check",
		"The hand beyond the access site: normal, or abnormal with colour, warmth, capillary refill, sensation, movement, swelling and pain. "+
			"A part counts as a sign when its answer is coded, or its refill is above 3 s.",
		local(fhir.CodeHandCheck), "hand-answer", slices...)
}

func condition() profile {
	return answered("general-condition", "GeneralCondition", "General condition",
		"How the patient is as a whole.", local(fhir.CodeGeneralCondition), "condition-answer")
}

func pain() profile {
	rules := append([]rule{
		{id: "Observation.code", pattern: coded(fhir.SystemLOINC, "72514-3")},
		{id: "Observation.value[x]", types: of("Quantity"), must: true, constraints: []constraint{
			must("pai-1", "The score is from 0 to 10", "value >= 0 and value <= 10"),
		}},
	}, quantity("Observation.value[x]", fixedCode("{score}"), nil)...)
	return profile{
		id: "pain-score", name: "PainScore", title: "Pain score", kind: "Observation", base: finding,
		description: "Pain as the patient says it, from 0 to 10.", rules: rules,
	}
}

// part is one component of a finding. Its value has any type where none is named.
type part struct {
	slice   string
	code    *value
	kind    string
	binding *binding
}

// components slices Observation.component by its code.
func components(parts ...part) []rule {
	rules := []rule{{id: "Observation.component", slicing: byCode("code")}}
	for _, p := range parts {
		at := "Observation.component:" + p.slice
		rules = append(rules, rule{id: at, card: "0..1", must: true}, rule{id: at + ".code", pattern: p.code})
		switch {
		case p.kind != "":
			rules = append(rules, rule{id: at + ".value[x]", types: of(p.kind), binding: p.binding, must: true})
		case p.binding != nil:
			rules = append(rules, rule{id: at + ".value[x]", binding: p.binding, must: true})
		}
	}
	return rules
}
