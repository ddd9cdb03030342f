package fhir

import (
	"flag"
	"go/ast"
	"go/parser"
	"go/token"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/workflow"
)

var update = flag.Bool("update", false, "rewrite the golden resources")

// constants reads the names and values of the core's constants of a type, so that a
// new one can't be forgotten here.
func constants(t *testing.T, of string) []string {
	t.Helper()
	var values []string
	paths, err := filepath.Glob("../workflow/*.go")
	require.NoError(t, err)
	for _, path := range paths {
		file, err := parser.ParseFile(token.NewFileSet(), path, nil, parser.SkipObjectResolution)
		require.NoError(t, err)
		ast.Inspect(file, func(n ast.Node) bool {
			spec, ok := n.(*ast.ValueSpec)
			if !ok {
				return true
			}
			if id, ok := spec.Type.(*ast.Ident); ok && id.Name == of {
				for _, v := range spec.Values {
					if lit, ok := v.(*ast.BasicLit); ok && lit.Kind == token.STRING {
						text, err := strconv.Unquote(lit.Value)
						require.NoError(t, err)
						values = append(values, text)
					}
				}
			}
			return true
		})
	}
	require.NotEmpty(t, values, "no constants of %s", of)
	return values
}

func TestEveryValueOfTheCoreHasItsCodings(t *testing.T) {
	for _, terms := range []Terminology{{}, {FullSNOMED: true}} {
		each := func(of string, there func(string) CodeableConcept, back func(CodeableConcept) (string, bool)) {
			for _, v := range constants(t, of) {
				if v == "" {
					continue
				}
				c := there(v)
				require.NotEmpty(t, c.Coding, "%s %q has no coding", of, v)
				got, ok := back(c)
				require.True(t, ok, "%s %q can't be read back", of, v)
				require.Equal(t, v, got)
			}
		}
		each("FindingCode", func(v string) CodeableConcept { return terms.Finding(workflow.FindingCode(v)) }, backer(ReadFinding))
		each("TaskCode", func(v string) CodeableConcept { return terms.Task(workflow.TaskCode(v)) }, backer(ReadTask))
		each("Method", func(v string) CodeableConcept { return terms.Method(workflow.Method(v)) }, backer(ReadMethod))
		each("OrderCode", func(v string) CodeableConcept { return terms.Order(workflow.OrderCode(v)) }, backer(ReadOrder))
		each("FlagCode", func(v string) CodeableConcept { return terms.Flag(workflow.FlagCode(v)) }, backer(ReadFlag))
		each("IssueCode", func(v string) CodeableConcept { return terms.Issue(workflow.IssueCode(v)) }, backer(ReadIssue))
		each("Drug", func(v string) CodeableConcept { return terms.Drug(workflow.Drug(v)) }, backer(ReadDrug))
		each("ProcedureKind", func(v string) CodeableConcept { return terms.Kind(workflow.ProcedureKind(v)) }, backer(ReadKind))
		each("Lateness", func(v string) CodeableConcept { return terms.Lateness(workflow.Lateness(v)) },
			backer(func(c CodeableConcept) (workflow.Lateness, bool) { return read(latenesses(), c) }))
	}
}

func backer[T ~string](f func(CodeableConcept) (T, bool)) func(CodeableConcept) (string, bool) {
	return func(c CodeableConcept) (string, bool) {
		v, ok := f(c)
		return string(v), ok
	}
}

func TestEveryAnswerOfTheCoreBelongsToAFinding(t *testing.T) {
	reached := map[string]bool{}
	for _, f := range constants(t, "FindingCode") {
		for _, row := range answers(workflow.FindingCode(f)) {
			reached[string(row.value)] = true
			got, ok := ReadAnswer(workflow.FindingCode(f), row.concept(Terminology{FullSNOMED: true}))
			require.True(t, ok)
			require.Equal(t, row.value, got)
		}
	}
	for _, a := range constants(t, "Answer") {
		require.True(t, reached[a], "answer %q has no coding", a)
	}
}

func TestAnswersThatAreUnderstood(t *testing.T) {
	coded := func(system, code string) CodeableConcept {
		return CodeableConcept{Coding: []Coding{{System: system, Code: code}}}
	}
	tests := []struct {
		name    string
		finding workflow.FindingCode
		given   CodeableConcept
		want    workflow.Answer
	}{
		// DICOM PS3.16 CID 3402, also in R4 core's dicom-dcim.
		{"DICOM haemostasis", workflow.Bleeding, coded(SystemDICOM, "122033"), workflow.Haemostasis},
		{"DICOM oozing", workflow.Bleeding, coded(SystemDICOM, "122034"), workflow.Oozing},
		{"DICOM active", workflow.Bleeding, coded(SystemDICOM, "122035"), workflow.Active},
		// SNOMED CT Global Patient Set; bleeding without a grade counts as active.
		{"SNOMED absent", workflow.Bleeding, coded(SystemSNOMED, "2667000"), workflow.Haemostasis},
		{"SNOMED present", workflow.Bleeding, coded(SystemSNOMED, "52101004"), workflow.Active},
		{"haematoma present", workflow.Haematoma, coded(SystemSNOMED, "52101004"), workflow.Present},
		{"patency indeterminate", workflow.Patency, coded(SystemSNOMED, "82334004"), workflow.Indeterminate},
		{"pulse weak", workflow.Pulse, coded(SystemSNOMED, "260407003"), workflow.Weak},
		{"an occluded artery alone is no answer", workflow.Patency, coded(SystemSNOMED, "2929001"), ""},
		{"of another finding", workflow.Hand, coded(SystemDICOM, "122033"), ""},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got, ok := ReadAnswer(tt.finding, tt.given)
			require.Equal(t, tt.want, got)
			require.Equal(t, tt.want != "", ok)
		})
	}
}

func TestAngiographyWithInterventionIsAnIntervention(t *testing.T) {
	both := CodeableConcept{Coding: []Coding{{System: SystemSNOMED, Code: "33367005"}, {System: SystemSNOMED, Code: "415070008"}}}
	got, ok := ReadKind(both)
	require.True(t, ok)
	require.Equal(t, workflow.Intervention, got)
}

// A release must never be coded, even beside the local code, as compression bandaging.
func TestNothingStandsBesideAReleaseThatSaysTheOpposite(t *testing.T) {
	for _, k := range []workflow.TaskCode{workflow.ReleaseStep, workflow.EaseCompression, workflow.Titration} {
		require.Len(t, Terminology{FullSNOMED: true}.Task(k).Coding, 1)
	}
}

func TestOnlyOpenSNOMEDLeavesByDefault(t *testing.T) {
	require.Len(t, Terminology{}.PlanCategory().Coding, 1)
	require.Len(t, Terminology{FullSNOMED: true}.PlanCategory().Coding, 2)
	require.Empty(t, Terminology{}.Answer(workflow.Pulse, workflow.Weak).Coding)
}

// The local codes that a client may use; each must be in the published code system.
func TestConceptsAreWhole(t *testing.T) {
	seen := map[Code]bool{}
	for _, c := range Concepts() {
		require.False(t, seen[c.Code], "%s stands twice", c.Code)
		seen[c.Code] = true
		require.NotEmpty(t, c.Display)
		require.NotEmpty(t, c.Definition)
		require.NotEmpty(t, c.Use)
		// R4 code: no leading or trailing space, single spaces (datatypes.html#code).
		require.Regexp(t, `^[^\s]+(\s[^\s]+)*$`, string(c.Code))
	}
	source, err := os.ReadFile("code.go")
	require.NoError(t, err)
	declared := regexp.MustCompile(`(?m)^\tCode\w+\s+Code = "([^"]+)"`).FindAllStringSubmatch(string(source), -1)
	require.NotEmpty(t, declared)
	for _, d := range declared {
		require.True(t, seen[Code(d[1])], "%s is not in the table", d[1])
	}
	require.Len(t, seen, len(declared))
}

func TestPublishedCodeSystemIsTheTable(t *testing.T) {
	body, err := CodeSystem()
	require.NoError(t, err)
	requireGolden(t, "../../api/CodeSystem-radial-compression.json", body)
}

// standards gives every standard coding that the mappings hold.
func standards() []standard {
	var all []standard
	all = append(all, standardsOf(findings())...)
	for _, m := range findings() {
		all = append(all, standardsOf(answers(m.value))...)
	}
	all = append(all, standardsOf(methods())...)
	all = append(all, standardsOf(tasks())...)
	all = append(all, standardsOf(flags())...)
	all = append(all, standardsOf(drugs())...)
	for _, p := range handParts() {
		all = append(all, standardsOf(p.answers)...)
	}
	return append(all, standardsOf(kinds())...)
}

func standardsOf[T ~string](rows []term[T]) []standard {
	var all []standard
	for _, m := range rows {
		all = append(all, m.same...)
		all = append(all, m.broader...)
		all = append(all, m.also...)
	}
	return all
}

// SNOMED CT identifiers end in a Verhoeff check digit (SNOMED CT Technical
// Implementation Guide), LOINC numbers in a mod 10 one (LOINC Users' Guide, appendix).
func TestCheckDigitsOfStandardCodes(t *testing.T) {
	require.True(t, verhoeff("33367005"))
	require.False(t, verhoeff("33367006"))
	require.True(t, mod10("44974-4"))
	require.False(t, mod10("44974-5"))
	for _, s := range standards() {
		require.NotEmpty(t, s.Display)
		switch s.System {
		case SystemSNOMED:
			require.True(t, verhoeff(s.Code), s.Code)
		case SystemLOINC:
			// Answers (LA…) have no such check digit.
			require.True(t, strings.HasPrefix(s.Code, "LA") || mod10(s.Code), s.Code)
		case SystemDICOM:
			require.Regexp(t, `^\d{6}$`, s.Code)
		default:
			t.Fatalf("no check for %s", s.System)
		}
	}
}

// verhoeff: J. Verhoeff, Error Detecting Decimal Codes, 1969: the digits, from the
// right, permuted by their place and multiplied in the dihedral group D5, give 0.
func verhoeff(digits string) bool {
	multiply := func(a, b int) int {
		switch {
		case a < 5 && b < 5:
			return (a + b) % 5
		case a < 5:
			return 5 + (a+b-5)%5
		case b < 5:
			return 5 + (a-5-b+5)%5
		}
		return (a - b + 5) % 5
	}
	permutation := []int{1, 5, 7, 6, 2, 8, 3, 0, 9, 4}
	sum := 0
	for i := range len(digits) {
		d := int(digits[len(digits)-1-i] - '0')
		for range i {
			d = permutation[d]
		}
		sum = multiply(sum, d)
	}
	return sum == 0
}

// mod10 is the Luhn algorithm over the digits before the dash.
func mod10(number string) bool {
	digits, check, ok := strings.Cut(number, "-")
	if !ok {
		return false
	}
	sum := 0
	for i := range len(digits) {
		d := int(digits[len(digits)-1-i] - '0')
		if i%2 == 0 {
			d *= 2
		}
		sum += d/10 + d%10
	}
	return strconv.Itoa((10-sum%10)%10) == check
}
