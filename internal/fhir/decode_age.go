package fhir

import (
	"time"

	"fhirsvc/internal/fhir/tree"
)

// age gives the patient's age in whole years on the day on which the procedure ended,
// by the offset in which that is written; nil when the birth date is not told, or is
// told so roughly that two ages are possible (R4 date: a year, a month or a day,
// hl7.org/fhir/R4/datatypes.html#date).
func age(birthDate, ended *tree.Node) *int {
	first, last, ok := birthDays(birthDate)
	end, err := time.Parse(time.RFC3339Nano, textOf(ended))
	if !ok || err != nil {
		return nil
	}
	years := wholeYears(first, end)
	if years < 0 || years != wholeYears(last, end) {
		return nil
	}
	return &years
}

// birthDays gives the first and the last day that a date may mean.
func birthDays(n *tree.Node) (first, last time.Time, ok bool) {
	text := textOf(n)
	for layout, span := range map[string][3]int{"2006-01-02": {0, 0, 0}, "2006-01": {0, 1, -1}, "2006": {1, 0, -1}} {
		if t, err := time.Parse(layout, text); err == nil {
			return t, t.AddDate(span[0], span[1], span[2]), true
		}
	}
	return time.Time{}, time.Time{}, false
}

// wholeYears counts the birthdays between two days; who was born on 29 February is a year
// older on 1 March of a common year.
func wholeYears(born, day time.Time) int {
	years := day.Year() - born.Year()
	if day.Month() < born.Month() || day.Month() == born.Month() && day.Day() < born.Day() {
		years--
	}
	return years
}

func textOf(n *tree.Node) string {
	if !n.Is(tree.String) {
		return ""
	}
	return n.Text
}
