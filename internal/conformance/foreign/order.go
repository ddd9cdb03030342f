package foreign

import (
	"context"
	"errors"
	"net/http"
	"time"

	"fhirsvc/internal/fhir"
)

// Pause orders at the service, as a nurse may, that the release rests for a quarter of an hour.
func Pause(ctx context.Context, base string, at time.Time) error {
	return enter(ctx, base, Resource{
		"resourceType": "ServiceRequest", "status": "active", "intent": "order",
		"code":             Resource{"coding": []any{Resource{"system": fhir.SystemLocal, "code": "pause-release"}}},
		"occurrencePeriod": Resource{"start": at.Format(time.RFC3339), "end": at.Add(15 * time.Minute).Format(time.RFC3339)},
		"authoredOn":       at.Format(time.RFC3339),
		"requester":        Resource{"display": "Nurse Makebelieve"},
		"reasonCode":       []any{Resource{"text": "the patient eats"}},
	})
}

// Give writes down at the service that a drug was given.
func Give(ctx context.Context, base string, at time.Time) error {
	return enter(ctx, base, Resource{
		"resourceType": "MedicationAdministration", "status": "completed",
		"medicationCodeableConcept": Resource{"coding": []any{Resource{"system": "http://www.whocc.no/atc", "code": "N02BE01", "display": "paracetamol"}}},
		"effectiveDateTime":         at.Format(time.RFC3339),
		"performer":                 []any{Resource{"actor": Resource{"display": "Nurse Makebelieve"}}},
		"dosage":                    Resource{"dose": Resource{"value": 1000, "unit": "mg", "system": fhir.SystemUCUM, "code": "mg"}},
	})
}

// enter creates a resource about the patient that the service knows.
func enter(ctx context.Context, base string, r Resource) error {
	found, err := search(ctx, base, "Patient?_count=200")
	if err != nil {
		return err
	}
	if len(found) != 1 {
		return errors.New("there is not one patient")
	}
	r["subject"] = Resource{"reference": nameOf(found[0])}
	body, err := encode(r)
	if err != nil {
		return err
	}
	_, err = call(ctx, http.MethodPost, base+"/"+text(r["resourceType"]), body, nil)
	return err
}
