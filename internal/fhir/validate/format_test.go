package validate

import (
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"fhirsvc/internal/fhir/definitions"
)

// publishedFormat gives the published regular expression of a primitive, whose \s
// is XML Schema's white space.
func publishedFormat(t testing.TB, name string) *regexp.Regexp {
	t.Helper()
	text := definitions.R4().Type(name).Regex
	require.NotEmpty(t, text, name)
	text = strings.NewReplacer(`[^\s]`, `[^ \t\r\n]`, `\S`, `[^ \t\r\n]`, `\s`, `[ \t\r\n]`).Replace(text)
	if name == "string" {
		text = `(?:[ \t\r\n]|[^ \t\r\n])+`
	}
	return regexp.MustCompile(`^(?:` + text + `)$`)
}

// seeds are texts near the edge of each format.
func seeds(name string) []string {
	switch name {
	case "date":
		return []string{"2026", "2026-03", "2026-03-01", "0001-12-31", "2024-02-29"}
	case "dateTime", "instant":
		return []string{"2026-03-01T10:20:30Z", "2026-03-01T10:20:30.123+14:00", "2026-12-31T23:59:60-05:30", "2026-03"}
	case "time":
		return []string{"10:20:30", "23:59:60.5", "00:00:00.000000001"}
	case "code":
		return []string{"a", "on hold", "mm[Hg]", "a b c"}
	case "id":
		return []string{"a", "A-1.b", strings.Repeat("x", 64)}
	case "uri", "url", "canonical":
		return []string{"http://x.example/y|1", "urn:oid:1.2", "#a", "a"}
	case "oid":
		return []string{"urn:oid:1.2.3", "urn:oid:0.0", "urn:oid:2.16.840"}
	case "uuid":
		return []string{"urn:uuid:c757873d-ec9a-4326-a141-556f43239520"}
	case "base64Binary":
		return []string{"YQ==", "YWI=", "YWJj", "YWJj\nYWJj"}
	case "integer", "unsignedInt", "positiveInt":
		return []string{"0", "1", "-1", "2147483647", "120"}
	}
	return []string{"x", "two words", "ä ö"}
}

// stricter names what is refused beyond the regular expression, because the text of
// hl7.org/fhir/R4/datatypes.html or the standard that it cites says so.
func stricter(name, s, fault string) bool {
	switch name {
	case "date", "dateTime", "instant":
		return fault == "there is no such day"
	case "integer", "unsignedInt", "positiveInt":
		return len(s) >= 10 // beyond 31 bits
	case "base64Binary":
		return strings.Contains(s, "=") // padding at the end only, two at most
	case "code", "uri", "url", "canonical", "string", "markdown":
		return s == "" || strings.ContainsFunc(s, func(r rune) bool { return r < ' ' || r == '\x7f' })
	}
	return false
}

// TestFormatsAreThePublishedOnes compares every hand-written format with the
// published regular expression, on texts a few edits away from valid ones.
func TestFormatsAreThePublishedOnes(t *testing.T) {
	t.Parallel()
	names := []string{
		"date", "dateTime", "instant", "time", "code", "id", "uri", "url", "canonical", "oid", "uuid",
		"base64Binary", "integer", "unsignedInt", "positiveInt", "string",
	}
	for _, name := range names {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			want, format := publishedFormat(t, name), formatOf(name)
			for _, s := range seeds(name) {
				require.Equal(t, want.MatchString(s), format.check(s) == "", "%q", s)
			}
			rapid.Check(t, func(t *rapid.T) {
				s := edited(t, rapid.SampledFrom(seeds(name)).Draw(t, "seed"))
				fault := format.check(s)
				switch {
				case fault == "":
					require.True(t, want.MatchString(s), "accepted: %q", s)
				case want.MatchString(s):
					require.True(t, stricter(name, s, fault), "refused: %q: %s", s, fault)
				}
			})
		})
	}
}

// edited makes up to three edits of one character.
func edited(t *rapid.T, s string) string {
	const alphabet = "0123456789TZ:.-+ aAfgzB=/_\t\nä|#"
	runes := []rune(s)
	for range rapid.IntRange(0, 3).Draw(t, "edits") {
		r := rapid.SampledFrom([]rune(alphabet)).Draw(t, "character")
		at := rapid.IntRange(0, len(runes)).Draw(t, "at")
		switch kind := rapid.IntRange(0, 2).Draw(t, "kind"); {
		case kind == 0 || at == len(runes):
			runes = append(runes[:at:at], append([]rune{r}, runes[at:]...)...)
		case kind == 1:
			runes[at] = r
		default:
			runes = append(runes[:at:at], runes[at+1:]...)
		}
	}
	return string(runes)
}
