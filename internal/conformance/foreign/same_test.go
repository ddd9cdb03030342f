package foreign

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

const task = `{"resourceType":"Task","id":"a1","meta":{"versionId":"3","lastUpdated":"2026-03-02T10:00:00Z","profile":["https://p.example"]},
"text":{"status":"generated","div":"<div xmlns=\"http://www.w3.org/1999/xhtml\">The unit&#39;s &amp; more</div>"},
"identifier":[{"system":"urn:x","value":"1"}],"status":"ready","for":{"reference":"Patient/p","display":"T. M."},
"encounter":{"reference":"Encounter/e"},"output":[{"valueReference":{"reference":"Observation/o"}}],
"input":[{"valueQuantity":{"value":1.50}}]}`

// there is that Task as another server may have it.
const there = `{"resourceType":"Task","id":"77","meta":{"versionId":"1","source":"#x","profile":["https://p.example"]},
"text":{"div":"<div xmlns=\"http://www.w3.org/1999/xhtml\">The unit's &amp; more</div>","status":"generated"},
"identifier":[{"value":"1","system":"urn:x"}],"status":"ready","for":{"reference":"Patient/5","display":"T. M."},
"encounter":{"type":"Encounter","identifier":{"system":"urn:e","value":"9"}},"output":[{"valueReference":{"reference":"Observation/78"}}],
"input":[{"valueQuantity":{"value":1.50}}]}`

func leads(reference string) Resource {
	return map[string]Resource{
		"Patient/p": {"reference": "Patient/5"}, "Observation/o": {"reference": "Observation/78"},
		"Encounter/e": {"type": "Encounter", "identifier": Resource{"system": "urn:e", "value": "9"}},
	}[reference]
}

func parsed(t *testing.T, body string) Resource {
	t.Helper()
	r, err := decode([]byte(body))
	require.NoError(t, err)
	return r
}

func TestWhatMayDiffer(t *testing.T) {
	require.Empty(t, Differences(parsed(t, task), parsed(t, there), leads))
}

// Whatever else is changed in the copy is noticed, and named.
func TestWhatMayNotDiffer(t *testing.T) {
	for name, c := range map[string]struct{ old, made, at string }{
		"a value":                 {`"ready"`, `"draft"`, "status"},
		"a digit":                 {`1.50`, `1.5`, "input[0].valueQuantity.value"},
		"a member less":           {`"status":"ready",`, ``, "status"},
		"a member more":           {`"status":"ready"`, `"status":"ready","intent":"order"`, "intent"},
		"an item more":            {`"output":[`, `"output":[{},`, "output"},
		"a profile":               {`p.example`, `q.example`, "meta.profile[0]"},
		"a tag":                   {`"source"`, `"tag":[{"code":"x"}],"source"`, "meta.tag"},
		"an identifier":           {`"value":"1"`, `"value":"2"`, "identifier[0].value"},
		"another patient":         {`Patient/5`, `Patient/6`, "for.reference"},
		"a reference left here":   {`Observation/78`, `Observation/o`, "output[0].valueReference.reference"},
		"what is said of it":      {`T. M.`, `T.`, "for.display"},
		"a link without copy":     {`"type":"Encounter"`, `"reference":"Encounter/e","type":"Encounter"`, "encounter.reference"},
		"another encounter":       {`"value":"9"`, `"value":"8"`, "encounter.identifier.value"},
		"a word of the text":      {`more`, `less`, "text.div"},
		"a mark of the text":      {`The unit's`, `<b>The unit's</b>`, "text.div"},
		"a text that is no XHTML": {`The unit's`, `<b>The unit's`, "text.div"},
	} {
		t.Run(name, func(t *testing.T) {
			require.Contains(t, there, c.old)
			got := Differences(parsed(t, task), parsed(t, strings.Replace(there, c.old, c.made, 1)), leads)
			require.Len(t, got, 1)
			require.True(t, strings.HasPrefix(got[0], c.at+": "), got[0])
		})
	}
}

func TestAnIdentifierWhereThereIsNone(t *testing.T) {
	ours := parsed(t, `{"resourceType":"Observation","id":"a1"}`)
	theirs := parsed(t, `{"resourceType":"Observation","id":"7","identifier":[{"system":"urn:ietf:rfc:3986","value":"urn:uuid:a1"}]}`)
	require.Empty(t, Differences(ours, theirs, leads))
	require.Len(t, Differences(ours, parsed(t, `{"resourceType":"Observation","id":"7"}`), leads), 1)
	response := parsed(t, `{"resourceType":"QuestionnaireResponse","id":"a1"}`)
	require.Empty(t, Differences(response, parsed(t, `{"resourceType":"QuestionnaireResponse","identifier":{"system":"urn:ietf:rfc:3986","value":"urn:uuid:a1"}}`), leads))
}

// A server may leave out an id that fullUrl says, and no other.
func TestIDsInABundle(t *testing.T) {
	bundle := func(url, id string) Resource {
		return stripped(parsed(t, `{"resourceType":"Bundle","entry":[{"fullUrl":"`+url+`","resource":{"resourceType":"Task"`+id+`}}]}`))
	}
	require.Empty(t, differences("", bundle("urn:uuid:a", `,"id":"a"`), bundle("urn:uuid:a", "")))
	require.Len(t, differences("", bundle("urn:uuid:b", `,"id":"a"`), bundle("urn:uuid:b", "")), 1)
}

// Both sides are looked at: what is missing there, is there twice, or is there alone.
func TestReport(t *testing.T) {
	ours := func(bodies ...string) *compared {
		c := &compared{ours: map[string]Resource{}, theirs: map[string][]Resource{}, copies: map[string]string{}}
		for _, b := range bodies {
			r := parsed(t, b)
			c.ours[nameOf(r)] = r
		}
		return c
	}
	flag := `{"resourceType":"Flag","id":"f","identifier":[{"system":"urn:x","value":"1"}]}`
	their := parsed(t, `{"resourceType":"Flag","id":"9","identifier":[{"system":"urn:x","value":"1"}]}`)

	c := ours(flag)
	c.theirs["Flag urn:x|1"] = []Resource{their}
	r := c.report(map[string]bool{"Flag/9": true})
	require.Empty(t, r.Faults)
	require.Equal(t, "1 Flag", r.String())

	require.Equal(t, []string{"Flag/f: 0 copies"}, ours(flag).report(nil).Faults)
	c.theirs["Flag urn:x|1"] = []Resource{their, their}
	require.Equal(t, []string{"Flag/f: 2 copies"}, c.report(nil).Faults)
	require.Equal(t, []string{"Flag/9 is there and nowhere here"}, ours().report(map[string]bool{"Flag/9": true, "Patient/1": false}).Faults)
}
