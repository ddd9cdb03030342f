package validate

import (
	"strings"

	"fhirsvc/internal/fhir/definitions"
)

// repair replaces a published expression that does not say what its text says when
// only true passes (HL7/fhir pull request 4122 gives that reading).
type repair struct {
	key    string
	from   string // published expression, or the part of it that is replaced
	to     string
	reason string
}

// repairs lists them all. That each is needed, and does what the published text
// says, is tested one by one.
func repairs() []repair {
	return []repair{
		{
			"bdl-8", "fullUrl.contains('/_history/').not()", "fullUrl.empty() or fullUrl.contains('/_history/').not()",
			"empty, so not true, for an entry without fullUrl, which is optional",
		},
		{
			"ras-1", "((low.code = '%') and (low.system = %ucum))", "(low.code.empty() or (low.code = '%' and low.system = %ucum))",
			"empty, so not true, for a bound without coded unit, which SimpleQuantity allows",
		},
		{
			"ras-1", "((high.code = '%') and (high.system = %ucum))", "(high.code.empty() or (high.code = '%' and high.system = %ucum))",
			"as for low",
		},
		{
			"ras-2", "probability is decimal implies", "probability.empty() or (probability is decimal).not() or",
			"empty, so not true, for a prediction without probability, which is optional",
		},
		{
			"que-7", "(answer is Boolean)", "(answer is boolean)",
			"Boolean is FHIRPath's System type; the answer is a FHIR boolean",
		},
		{
			"que-12", "enableWhen.count() > 2", "enableWhen.count() > 1",
			"the text says more than one",
		},
		{
			"vs-1", "($this as dateTime).toString().length() >= 8",
			"($this is dateTime).not() or $this.hasValue().not() or $this.toString().length() >= 8",
			"empty, so not true, for a Period and for a dateTime without value, which the text leaves out",
		},
		{
			"eld-19", "path.matches('", "path.matches('^",
			"matches() finds a part; the text means the whole path (start)",
		},
		{
			"eld-19", ")*')", ")*$')", "as above (end)",
		},
		{
			"eld-20", "path.matches('[A-Za-z]", "path.matches('^[A-Za-z]", "as for eld-19 (start)",
		},
		{
			"eld-20", ")*')", ")*$')", "as for eld-19 (end)",
		},
		{
			"*-0", "name.matches('[A-Z]([A-Za-z0-9_]){0,254}')", "name.empty() or name.matches('^[A-Z]([A-Za-z0-9_]){0,254}$')",
			"empty, so not true, without a name; and matches() finds a part where the whole name is meant",
		},
	}
}

// repaired gives the constraint with its expression repaired where it is listed.
func repaired(c definitions.Constraint) definitions.Constraint {
	for _, r := range repairs() {
		if r.key == c.Key || r.key == "*-0" && strings.HasSuffix(c.Key, "-0") {
			c.Expression = strings.ReplaceAll(c.Expression, r.from, r.to)
		}
	}
	return c
}
