package bedside

import (
	"time"

	"fhirsvc/internal/fhir"
)

// Person is somebody invented.
type Person struct{ ID, Name string }

// Doctor is the invented cardiologist who put the band on and is asked in doubt.
func Doctor() Person { return Person{"S-1", "Dr Pretend"} }

// Nurse is the invented nurse at the bedside.
func Nurse() Person { return Person{"S-2", "Nurse Makebelieve"} }

func (p Person) reference() object {
	return object{"type": "Practitioner", "identifier": identifier(systemStaff, p.ID), "display": p.Name}
}

func (p Person) practitioner() object {
	return object{
		"resourceType": "Practitioner", "identifier": list{identifier(systemStaff, p.ID)}, "name": list{object{"text": p.Name}},
	}
}

// Finding is a bedside finding to be charted. One of Answer, Amount and Missing is set.
type Finding struct {
	Code    string // local code, or LOINC where there is one
	Answer  string // as in the answers table
	Amount  string // mL
	Missing string // not-performed or could-not-assess
	At      time.Time
	By      Person
	PartOf  string // Procedure/id, which places it
	Patient string // Patient/id
	Side    string // "" states none
	ID      string // identifier, so that a repeat is one; "" gives none
}

// The answers that have a standard code.
type answer struct{ system, code, display string }

func answers() map[string]answer {
	return map[string]answer{
		"haemostasis": {fhir.SystemDICOM, "122033", "Hemostasis achieved"},
		"oozing":      {fhir.SystemDICOM, "122034", "Hemostasis not achieved - oozing"},
		"bleeding":    {fhir.SystemDICOM, "122035", "Hemostasis not achieved - actively bleeding"},
		"absent":      {fhir.SystemSNOMED, "2667000", "Absent (qualifier value)"},
		"normal":      {fhir.SystemSNOMED, "17621005", "Normal (qualifier value)"},
	}
}

// pulse is the one finding that is coded in LOINC alone.
const pulse = "44974-4"

// Observation is the finding as R4.
func (f Finding) Observation() []byte {
	o := object{
		"resourceType": "Observation", "status": "final",
		"code":              object{"coding": list{f.code()}},
		"subject":           object{"reference": f.Patient},
		"effectiveDateTime": stamp(f.At),
		"performer":         list{f.By.reference()},
	}
	if f.ID != "" {
		o["identifier"] = list{identifier("https://screen.hospital.example/entry", f.ID)}
	}
	if f.PartOf != "" {
		o["partOf"] = list{object{"reference": f.PartOf}}
	}
	if f.Side != "" {
		o["bodySite"] = Case{Side: f.Side}.site()
	}
	switch {
	case f.Missing == "could-not-assess":
		o["dataAbsentReason"] = object{"coding": list{local(f.Missing)}}
	case f.Missing != "":
		o["dataAbsentReason"] = object{"coding": list{object{"system": fhir.SystemDataAbsent, "code": f.Missing}}}
	case f.Amount != "":
		o["valueQuantity"] = millilitres(f.Amount)
	default:
		o["valueCodeableConcept"] = object{"coding": list{f.answer()}}
	}
	return mustJSON(o)
}

func (f Finding) code() object {
	if f.Code == pulse {
		return object{"system": fhir.SystemLOINC, "code": pulse, "display": "Pulse intensity of Unspecified artery palpation"}
	}
	return local(f.Code)
}

func (f Finding) answer() object {
	if f.Code == pulse {
		return object{"system": fhir.SystemSNOMED, "code": "12146004"} // normal
	}
	if a, ok := answers()[f.Answer]; ok {
		return object{"system": a.system, "code": a.code, "display": a.display}
	}
	return local(f.Answer)
}
