package fhir

// Task is R4 Task as fhirsvc writes it (hl7.org/fhir/R4/task.html).
type Task struct {
	ResourceType    string            `json:"resourceType"`
	ID              string            `json:"id,omitempty"`
	Meta            *Meta             `json:"meta,omitempty"`
	Text            *Narrative        `json:"text,omitempty"`
	Identifier      []Identifier      `json:"identifier,omitempty"`
	BasedOn         []Reference       `json:"basedOn,omitempty"`
	GroupIdentifier *Identifier       `json:"groupIdentifier,omitempty"`
	Status          string            `json:"status"`
	StatusReason    *CodeableConcept  `json:"statusReason,omitempty"`
	BusinessStatus  *CodeableConcept  `json:"businessStatus,omitempty"`
	Intent          string            `json:"intent"`
	Priority        string            `json:"priority,omitempty"`
	Code            *CodeableConcept  `json:"code,omitempty"`
	Description     string            `json:"description,omitempty"`
	For             *Reference        `json:"for,omitempty"`
	Encounter       *Reference        `json:"encounter,omitempty"`
	ExecutionPeriod *Period           `json:"executionPeriod,omitempty"`
	AuthoredOn      string            `json:"authoredOn,omitempty"`
	LastModified    string            `json:"lastModified,omitempty"`
	Requester       *Reference        `json:"requester,omitempty"`
	PerformerType   []CodeableConcept `json:"performerType,omitempty"`
	Owner           *Reference        `json:"owner,omitempty"`
	ReasonReference *Reference        `json:"reasonReference,omitempty"`
	Note            []Annotation      `json:"note,omitempty"`
	Restriction     *TaskRestriction  `json:"restriction,omitempty"`
	Input           []TaskInput       `json:"input,omitempty"`
	Output          []TaskOutput      `json:"output,omitempty"`
}

// TaskRestriction is R4 Task.restriction: when the Task may be done, at the earliest
// (period.start), and when it is due (period.end).
type TaskRestriction struct {
	Period *Period `json:"period,omitempty"`
}

// TaskInput is R4 Task.input; exactly one value is set.
type TaskInput struct {
	Type                 CodeableConcept  `json:"type"`
	ValueQuantity        *Quantity        `json:"valueQuantity,omitempty"`
	ValueCodeableConcept *CodeableConcept `json:"valueCodeableConcept,omitempty"`
	ValueCanonical       string           `json:"valueCanonical,omitempty"`
}

// TaskOutput is R4 Task.output; the value is a reference to the Observation.
type TaskOutput struct {
	Type           CodeableConcept `json:"type"`
	ValueReference *Reference      `json:"valueReference,omitempty"`
}
