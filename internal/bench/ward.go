package main

import (
	"encoding/json"
	"fmt"
	"time"

	"fhirsvc/internal/sandbox/bedside"
)

// charted is how many findings are charted of each patient, some hours of looking.
const charted = 16

// patient is an invented one: the event that begins an episode, and what is found later.
type patient struct {
	bedside.Case
	number int
}

// newPatients gives n patients whose bands were put on forty minutes before the instant; from
// sets them apart from other patients.
func newPatients(from, n int, now time.Time) []patient {
	all := make([]patient, n)
	for i := range all {
		all[i] = patient{bedside.NewCase(from+i, "diagnostic", now.Add(-40*time.Minute).Truncate(time.Second)), from + i}
	}
	return all
}

// known is a patient with the ids that the service gave.
type known struct {
	patient
	subject, procedure string // Type/id
}

// finding is the n-th finding of a patient, as a charting screen sends it: the site looked
// at and the hand, the pulse, a patency test, and again.
func (k known) finding(n int) []byte {
	looks := []bedside.Finding{
		{Code: "access-site-bleeding", Answer: "haemostasis"},
		{Code: "hand-check", Answer: "normal"},
		{Code: "44974-4", Answer: "normal"},
		{Code: "radial-patency-test", Answer: "patent"},
	}
	f := looks[n%len(looks)]
	f.At = k.Finished.Add(time.Duration(n+1) * 2 * time.Minute)
	f.By, f.Patient, f.PartOf, f.Side = bedside.Nurse(), k.subject, k.procedure, k.Side
	f.ID = fmt.Sprintf("%d-%d", k.number, n)
	return f.Observation()
}

// reference gives Type/id of a resource.
func reference(body []byte) (string, error) {
	var r struct{ ResourceType, ID string }
	if err := json.Unmarshal(body, &r); err != nil {
		return "", err
	}
	return r.ResourceType + "/" + r.ID, nil
}
