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
// explains: each has some 100,000 of one thing, and a deadline far above what it
// takes, far below what the square of the number would.
func TestCostStaysInProportion(t *testing.T) {
	t.Parallel()
	const n = 100_000
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
	tests := map[string]string{
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
	v := validate.New(validate.Options{})
	for name, body := range tests {
		t.Run(name, func(t *testing.T) {
			start := time.Now()
			v.Resource([]byte(body))
			require.Less(t, time.Since(start), 10*time.Second)
			t.Log(time.Since(start))
		})
	}
}
