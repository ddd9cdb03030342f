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
	SystemATC    = "http://www.whocc.no/atc"
	SystemYesNo  = "http://terminology.hl7.org/CodeSystem/v2-0136"

	// systemURI marks an identifier that is a URI itself (RFC 3986).
	systemURI = "urn:ietf:rfc:3986"

	// SystemSDC holds the codes that SDC keeps for the time being.
	SystemSDC = "http://hl7.org/fhir/uv/sdc/CodeSystem/temp"

	SystemDataAbsent       = "http://terminology.hl7.org/CodeSystem/data-absent-reason"
	SystemMessageKind      = "http://terminology.hl7.org/CodeSystem/communication-category"
	SystemFlagKind         = "http://terminology.hl7.org/CodeSystem/flag-category"
	SystemDataOperation    = "http://terminology.hl7.org/CodeSystem/v3-DataOperation"
	SystemProvenanceAgent  = "http://terminology.hl7.org/CodeSystem/provenance-participant-type"
	SystemUsageContextType = "http://terminology.hl7.org/CodeSystem/usage-context-type"

	SystemAuditType      = "http://terminology.hl7.org/CodeSystem/audit-event-type"
	SystemAuditSource    = "http://terminology.hl7.org/CodeSystem/security-source-type"
	SystemAuditEntity    = "http://terminology.hl7.org/CodeSystem/audit-entity-type"
	SystemAuditLifecycle = "http://terminology.hl7.org/CodeSystem/dicom-audit-lifecycle"
	SystemAuditRequest   = "https://profiles.ihe.net/ITI/BALP/CodeSystem/BasicAuditEntityType"
	SystemObjectRole     = "http://terminology.hl7.org/CodeSystem/object-role"
	SystemParticipation  = "http://terminology.hl7.org/CodeSystem/v3-ParticipationType"
	SystemInteraction    = "http://hl7.org/fhir/restful-interaction"
	SystemResourceTypes  = "http://hl7.org/fhir/resource-types"
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
	// SystemIssueKey is the system of DetectedIssue.identifier: the episode, a slash, the
	// code, a slash, and the ordinal.
	SystemIssueKey = "https://fhirsvc.example/fhir/NamingSystem/issue-key"
	// SystemNoticeKey is the system of Communication.identifier: the episode, a slash, the
	// Task's key, a slash, and the ordinal.
	SystemNoticeKey = "https://fhirsvc.example/fhir/NamingSystem/notice-key"
	// SystemDocumentKey is the system of DocumentReference.identifier: the episode, a slash,
	// and what it is of.
	SystemDocumentKey = "https://fhirsvc.example/fhir/NamingSystem/document-key"
	// SystemInput is the name under which the ids of answers to messages are derived.
	SystemInput = "https://fhirsvc.example/fhir/NamingSystem/input"
)

// Extensions: our own, and the published ones that are read.
const (
	ExtensionProtocolParameter = "https://fhirsvc.example/fhir/StructureDefinition/protocol-parameter"
	ExtensionProcedureMethod   = "http://hl7.org/fhir/StructureDefinition/procedure-method"
)

// CanonicalBase stands before what api/ publishes.
const CanonicalBase = "https://fhirsvc.example/fhir"

// The project's FHIR package: its name, and the two resources that others name to say
// what they go by.
const (
	PackageName         = "fhirsvc.radial-compression"
	CanonicalGuide      = CanonicalBase + "/ImplementationGuide/" + PackageName
	CanonicalCapability = CanonicalBase + "/CapabilityStatement/radial-compression"
)

// ContentType is the form in which FHIR is spoken (hl7.org/fhir/R4/http.html#mime-type).
const ContentType = "application/fhir+json"

// MessageHeader.response.code, http://hl7.org/fhir/ValueSet/response-code.
const (
	MessageResponseOK         = "ok"
	MessageResponseFatalError = "fatal-error"
)

// UCUM codes of the units in use (ucum.org).
const (
	UnitMillilitre = "mL"
	UnitCentimetre = "cm"
	UnitSecond     = "s"
	UnitPressure   = "mm[Hg]"
	UnitScore      = "{score}"
	UnitYear       = "a"
	UnitINR        = "{INR}"
	UnitOne        = "1"
	UnitFrench     = "[Ch]"
)
