package bedside

import (
	"encoding/json"
	"fmt"
	"time"

	"github.com/google/uuid"

	"fhirsvc/internal/fhir"
)

// The identifier systems of the invented hospital, in a reserved domain.
const (
	systemPatient   = "https://hospital.example/patient"
	systemEncounter = "https://hospital.example/encounter"
	systemProcedure = "https://hospital.example/procedure"
	systemStaff     = "https://hospital.example/staff"
	systemUnit      = "https://hospital.example/unit"
	endpoint        = "https://ehr.hospital.example/fhir"
)

// object and list are JSON as it is written by hand. Numbers are json.Number, so that
// none passes through a float.
type (
	object = map[string]any
	list   = []any
)

// Case is one invented patient with one procedure.
type Case struct {
	Number   int    // makes every identifier of the case
	Side     string // right or left
	Kind     string // diagnostic or intervention
	Unit     string // of the catheter laboratory, as an identifier
	Volume   string // mL in the band at the start, "" when it is not told
	Started  time.Time
	Finished time.Time // of the procedure
	Version  time.Time // Bundle.timestamp: a later one corrects
	Status   string    // of the procedure; "" is completed
	Message  string    // MessageHeader.id, a UUID
	By       Person    // who did it, told of beside it; nobody is told of where there is none
}

// NewCase returns a procedure that ended at the instant, when the band was filled.
func NewCase(number int, kind string, at time.Time) Case {
	return Case{
		Number: number, Side: "right", Kind: kind, Unit: "cath-lab-1", Volume: "15",
		Started: at, Finished: at, Version: at, Message: uuid.NewString(),
	}
}

// Procedure is the identifier of the procedure as a search token.
func (c Case) Procedure() string { return systemProcedure + "|" + c.id("P") }

// Patient is the identifier of the patient as a search token.
func (c Case) Patient() string { return systemPatient + "|" + c.id("N") }

func (c Case) id(letter string) string { return fmt.Sprintf("%s-%04d", letter, c.Number) }

// Event is the message that tells of the procedure, as a FHIR message Bundle: the same
// bytes whenever it is sent again.
func (c Case) Event() []byte {
	entries := list{
		entry(c.Message, c.header()),
		entry(c.uuid("procedure"), c.procedure()),
		entry(c.uuid("patient"), object{
			"resourceType": "Patient", "identifier": list{identifier(systemPatient, c.id("N"))},
			"name": list{object{"family": "Testperson", "given": list{fmt.Sprintf("Invented %d", c.Number)}}},
		}),
		entry(c.uuid("encounter"), object{
			"resourceType": "Encounter", "identifier": list{identifier(systemEncounter, c.id("E"))}, "status": "in-progress",
			"class":   object{"system": "http://terminology.hl7.org/CodeSystem/v3-ActCode", "code": "IMP", "display": "inpatient encounter"},
			"subject": c.ref("patient"),
		}),
	}
	if c.By != (Person{}) {
		entries = append(entries, entry(c.uuid("performer"), c.By.practitioner()))
	}
	if c.Volume != "" {
		entries = append(entries, entry(c.uuid("volume"), c.volume()))
	}
	return mustJSON(object{
		"resourceType": "Bundle", "id": c.Message, "type": "message",
		"timestamp": stamp(c.Version), "entry": entries,
	})
}

func (c Case) header() object {
	return object{
		"resourceType": "MessageHeader", "id": c.Message,
		"eventCoding": object{"system": fhir.SystemLocal, "code": string(fhir.CodeProcedureCompleted)},
		"source":      object{"name": "Invented EHR", "endpoint": endpoint},
		"focus":       list{c.ref("procedure")},
	}
}

func (c Case) procedure() object {
	code, display := "33367005", "Coronary angiography (procedure)"
	if c.Kind == "intervention" {
		code, display = "415070008", "Percutaneous coronary intervention (procedure)"
	}
	status := c.Status
	if status == "" {
		status = "completed"
	}
	procedure := object{
		"resourceType": "Procedure", "status": status,
		"identifier":      list{object{"use": "official", "system": systemProcedure, "value": c.id("P")}},
		"code":            object{"coding": list{object{"system": fhir.SystemSNOMED, "code": code, "display": display}}},
		"subject":         c.ref("patient"),
		"encounter":       c.ref("encounter"),
		"performedPeriod": object{"start": stamp(c.Finished.Add(-40 * time.Minute)), "end": stamp(c.Finished)},
		"location":        object{"identifier": identifier(systemUnit, c.Unit), "display": "Cath lab"},
		"bodySite":        list{c.site()},
	}
	if c.By != (Person{}) {
		procedure["performer"] = list{object{"actor": c.ref("performer")}}
	}
	return procedure
}

func (c Case) site() object {
	code, display := "368503001", "Right radial artery"
	if c.Side == "left" {
		code, display = "368504007", "Left radial artery"
	}
	return object{"coding": list{object{"system": fhir.SystemSNOMED, "code": code}}, "text": display}
}

func (c Case) volume() object {
	return object{
		"resourceType": "Observation", "status": "final", "subject": c.ref("patient"), "bodySite": c.site(),
		"code":              object{"coding": list{local("band-air-volume")}},
		"effectiveDateTime": stamp(c.Started),
		"performer":         list{Doctor().reference()},
		"valueQuantity":     millilitres(c.Volume),
	}
}

// uuid names an entry of the message; the same on every repeat of the case.
func (c Case) uuid(what string) string {
	return uuid.NewSHA1(uuid.NameSpaceURL, []byte(c.Procedure()+"/"+what)).String()
}

func (c Case) ref(what string) object { return object{"reference": "urn:uuid:" + c.uuid(what)} }

func entry(id string, resource object) object {
	return object{"fullUrl": "urn:uuid:" + id, "resource": resource}
}

func identifier(system, value string) object { return object{"system": system, "value": value} }

func local(code string) object { return object{"system": fhir.SystemLocal, "code": code} }

func millilitres(volume string) object {
	return object{"value": json.Number(volume), "unit": "mL", "system": fhir.SystemUCUM, "code": "mL"}
}

func stamp(t time.Time) string { return t.UTC().Format("2006-01-02T15:04:05.000Z07:00") }

// mustJSON panics on what can't be written: it is all our own.
func mustJSON(v any) []byte {
	b, err := json.Marshal(v)
	if err != nil {
		panic(err)
	}
	return b
}
