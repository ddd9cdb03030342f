package fhir

// CarePlan is R4 CarePlan as fhirsvc writes it (hl7.org/fhir/R4/careplan.html).
type CarePlan struct {
	ResourceType          string             `json:"resourceType"`
	ID                    string             `json:"id,omitempty"`
	Meta                  *Meta              `json:"meta,omitempty"`
	Text                  *Narrative         `json:"text,omitempty"`
	Contained             []Task             `json:"contained,omitempty"`
	Identifier            []Identifier       `json:"identifier,omitempty"`
	InstantiatesCanonical []string           `json:"instantiatesCanonical,omitempty"`
	Status                string             `json:"status"`
	Intent                string             `json:"intent"`
	Category              []CodeableConcept  `json:"category,omitempty"`
	Title                 string             `json:"title,omitempty"`
	Description           string             `json:"description,omitempty"`
	Subject               Reference          `json:"subject"`
	Encounter             *Reference         `json:"encounter,omitempty"`
	Period                *Period            `json:"period,omitempty"`
	Author                *Reference         `json:"author,omitempty"`
	Contributor           []Reference        `json:"contributor,omitempty"`
	SupportingInfo        []Reference        `json:"supportingInfo,omitempty"`
	Activity              []CarePlanActivity `json:"activity,omitempty"`
	Note                  []Annotation       `json:"note,omitempty"`
}

// CarePlanActivity is R4 CarePlan.activity: a reference to a Task, never a detail.
type CarePlanActivity struct {
	Reference *Reference `json:"reference,omitempty"`
}
