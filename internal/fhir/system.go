package fhir

// Every system and canonical URI that fhirsvc reads or writes, once.
const (
	// SystemLocal is the one local code system: a constant of the release, in a
	// reserved domain, so that it belongs to nobody.
	SystemLocal = "https://fhirsvc.example/fhir/CodeSystem/radial-compression"

	SystemSNOMED = "http://snomed.info/sct"
	SystemLOINC  = "http://loinc.org"
	SystemDICOM  = "http://dicom.nema.org/resources/ontology/DCM"
	SystemUCUM   = "http://unitsofmeasure.org"

	SystemURI               = "urn:ietf:rfc:3986"
	SystemDataAbsent        = "http://terminology.hl7.org/CodeSystem/data-absent-reason"
	SystemObservationKind   = "http://terminology.hl7.org/CodeSystem/observation-category"
	SystemFlagKind          = "http://terminology.hl7.org/CodeSystem/flag-category"
	SystemDataOperation     = "http://terminology.hl7.org/CodeSystem/v3-DataOperation"
	SystemProvenanceAgent   = "http://terminology.hl7.org/CodeSystem/provenance-participant-type"
	SystemUsageContextType  = "http://terminology.hl7.org/CodeSystem/usage-context-type"
	SystemPlanDefinition    = "http://terminology.hl7.org/CodeSystem/plan-definition-type"
	SystemFHIRRequestIntent = "http://hl7.org/fhir/request-intent"
)

// The identifier systems of what fhirsvc makes itself.
const (
	// SystemEpisode is the system of Task.groupIdentifier and CarePlan.identifier.
	SystemEpisode = "https://fhirsvc.example/fhir/NamingSystem/episode"
	// SystemTaskKey is the system of Task.identifier: the episode, a slash, and the
	// Task's key in it.
	SystemTaskKey = "https://fhirsvc.example/fhir/NamingSystem/task-key"
	// SystemFlagKey is the system of Flag.identifier: the episode, a slash, and the code.
	SystemFlagKey = "https://fhirsvc.example/fhir/NamingSystem/flag-key"
	// SystemInput is the system of identifiers of inputs, as Provenance refers to them.
	SystemInput = "https://fhirsvc.example/fhir/NamingSystem/input"
)

// Extensions: our own, and the published ones that are read.
const (
	ExtensionProtocolParameter = "https://fhirsvc.example/fhir/StructureDefinition/protocol-parameter"
	ExtensionProcedureMethod   = "http://hl7.org/fhir/StructureDefinition/procedure-method"
	ExtensionBodySite          = "http://hl7.org/fhir/StructureDefinition/bodySite"
	ExtensionDataAbsent        = "http://hl7.org/fhir/StructureDefinition/data-absent-reason"
)

// Canonicals of what api/ publishes.
const (
	CanonicalBase             = "https://fhirsvc.example/fhir"
	CanonicalSearchDueDate    = CanonicalBase + "/SearchParameter/task-due-date"
	CanonicalSearchNotBefore  = CanonicalBase + "/SearchParameter/task-not-before"
	CanonicalStarterBase      = CanonicalBase + "/PlanDefinition/"
	ContentType               = "application/fhir+json"
	FHIRVersion               = "4.0.1"
	MessageResponseOK         = "ok"
	MessageResponseFatalError = "fatal-error"
)

// UCUM codes of the units in use (ucum.org). Code and printed unit are the same but
// for those that Unit names.
const (
	UnitMillilitre = "mL"
	UnitCentimetre = "cm"
	UnitMinute     = "min"
	UnitHour       = "h"
	UnitSecond     = "s"
	UnitFrench     = "[Ch]"
	UnitKilogram   = "kg"
	UnitINR        = "{INR}"
	UnitScore      = "{score}"
	UnitPerMinute  = "/min"
	UnitMercury    = "mm[Hg]"
	UnitPercent    = "%"
	UnitCelsius    = "Cel"
	UnitInternal   = "[iU]"
	UnitOne        = "1"
)
