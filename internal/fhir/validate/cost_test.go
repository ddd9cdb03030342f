package validate_test

import (
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/validate"
)

// TestCostStaysInProportion wants no kind of content to cost more than its size
// explains: sixteen times as many of one thing take about sixteen times as long, where
// the square of the number would take 256. It runs beside no other test.
func TestCostStaysInProportion(t *testing.T) {
	const few, many, tooLong = 1_000, 16_000, 100
	v := validate.New(validate.Options{})
	large := contents(many)
	for name, small := range contents(few) {
		t.Run(name, func(t *testing.T) {
			// A busy machine disturbs a measurement, never all of them.
			var ratios []float64
			for range 5 {
				ratio := float64(cost(v, large[name])) / float64(cost(v, small))
				if ratio < tooLong {
					return
				}
				ratios = append(ratios, ratio)
			}
			require.Fail(t, "the cost grows faster than the content", "%v", ratios)
		})
	}
}

// cost is the shortest of three validations.
func cost(v *validate.Validator, body string) time.Duration {
	best := time.Hour
	for range 3 {
		start := time.Now()
		v.Resource([]byte(body))
		best = min(best, time.Since(start))
	}
	return best
}

// contents gives resources with n of one thing each.
func contents(n int) map[string]string {
	numbered := func(format string) string {
		var b strings.Builder
		for i := range n {
			if i > 0 {
				b.WriteByte(',')
			}
			b.WriteString(strings.ReplaceAll(format, "%", strconv.Itoa(i)))
		}
		return b.String()
	}
	return map[string]string{
		"unknown elements":   `{"resourceType":"Patient",` + numbered(`"e%":1`) + `}`,
		"unknown companions": `{"resourceType":"Patient",` + numbered(`"_e%":{"id":"a"}`) + `}`,
		"faults":             `{"resourceType":"Patient","birthDate":"x","identifier":[` + numbered(`{"value":%}`) + `]}`,
		"contained": `{"resourceType":"List","status":"current","mode":"working","contained":[` +
			numbered(`{"resourceType":"Basic","id":"c%","code":{"text":"x"}}`) + `],"entry":[` + numbered(`{"item":{"reference":"#c%"}}`) + `]}`,
		"entries": `{"resourceType":"Bundle","type":"collection","entry":[` +
			numbered(`{"fullUrl":"https://x.example/Basic/%","resource":{"resourceType":"Basic","id":"%","code":{"text":"x"},"subject":{"reference":"Basic/%"}}}`) + `]}`,
		"questions":  `{"resourceType":"Questionnaire","status":"draft","item":[` + numbered(`{"linkId":"%","type":"string"}`) + `]}`,
		"concepts":   `{"resourceType":"CodeSystem","status":"draft","content":"complete","concept":[` + numbered(`{"code":"c%"}`) + `]}`,
		"attributes": `{"resourceType":"Patient","text":{"status":"generated","div":"<div ` + strings.ReplaceAll(numbered(`xmlns:a%='x'`), ",", " ") + `>x</div>"}}`,
		"tags":       `{"resourceType":"Patient","text":{"status":"generated","div":"` + strings.Repeat("<div>", n) + `"}}`,
	}
}
