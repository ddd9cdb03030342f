#!/usr/bin/env bash
# Turns the sandbox's clock to the first step and charts a dry look, 3 mL out, and a bleed.
set -euo pipefail
base=${1:-http://127.0.0.1:8080}
local=https://fhirsvc.example/fhir/CodeSystem/radial-compression
dcm=http://dicom.nema.org/resources/ontology/DCM

chart() { # code, time, value[x] as JSON members
  curl -sf -o /dev/null -H 'Content-Type: application/fhir+json' "$base/fhir/Observation" --data-binary "{
    \"resourceType\": \"Observation\", \"status\": \"final\",
    \"code\": {\"coding\": [{\"system\": \"$local\", \"code\": \"$1\"}]},
    \"subject\": {\"identifier\": {\"system\": \"https://ehr.example/patient\", \"value\": \"T-77\"}},
    \"effectiveDateTime\": \"2026-03-02T$2Z\", \"performer\": [{\"display\": \"Nurse Makebelieve\"}], $3}"
}
bleeding() { echo "\"valueCodeableConcept\": {\"coding\": [{\"system\": \"$dcm\", \"code\": \"$1\"}]}"; }

curl -sf -o /dev/null "$base/sandbox/clock" -d '{"now": "2026-03-02T11:00:00Z"}'
chart access-site-bleeding 10:59:00 "$(bleeding 122033)" # haemostasis achieved
chart band-air-removed 11:00:00 '"valueQuantity": {"value": 3, "unit": "mL", "system": "http://unitsofmeasure.org", "code": "mL"}'
chart access-site-bleeding 11:00:30 "$(bleeding 122035)" # actively bleeding
curl -sf "$base/fhir/Task?status=ready,on-hold,draft&code=restore-compression,release-step,band-removal&_sort=due-date&_elements=code,status,statusReason,priority,restriction,input"
