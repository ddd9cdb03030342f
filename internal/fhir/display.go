package fhir

import (
	"strings"
	"time"

	"fhirsvc/internal/workflow"
)

// Instant writes an instant as R4 instant or dateTime: RFC 3339, UTC, with as many
// digits of the second as are needed; "" for the zero time.
func Instant(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.UTC().Format("2006-01-02T15:04:05.999999999Z07:00")
}

// ClockWords says an instant to a reader, always with its offset: "2026-11-25 14:05
// +01:00". A nil zone is UTC.
func ClockWords(t time.Time, zone *time.Location) string {
	if zone == nil {
		zone = time.UTC
	}
	return t.In(zone).Format("2006-01-02 15:04 -07:00")
}

// SiteWords says an access site, such as "right wrist (radial artery)".
func SiteWords(side workflow.Side, distal bool) string {
	artery := "radial artery"
	if distal {
		artery = "distal radial artery"
	}
	if side == "" {
		return "wrist, side not told (" + artery + ")"
	}
	return string(side) + " wrist (" + artery + ")"
}

// LevelWords says who was called.
func LevelWords(l workflow.Level) string {
	switch l {
	case workflow.NurseInCharge:
		return "nurse in charge"
	case workflow.Clinician:
		return "clinician"
	case workflow.NobodyCalled:
	}
	return "nobody"
}

// AnswerWords says a coded answer as a nurse would.
func AnswerWords(a workflow.Answer) string {
	if a == workflow.Haemostasis {
		return "dry (haemostasis)"
	}
	if a == workflow.Active {
		return "actively bleeding"
	}
	return strings.ReplaceAll(string(a), "-", " ")
}

// taskWords names a Task: its kind, what it is for, and which of them it is.
func taskWords(k workflow.TaskKey) string {
	words := Code(k.Code).Display()
	if k.Purpose != "" {
		words += " (" + strings.ReplaceAll(k.Purpose, "-", " ") + ")"
	}
	return words + " " + decimalText(k.Ordinal)
}
