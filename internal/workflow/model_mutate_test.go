package workflow_test

import (
	"encoding/json"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

var (
	modelMutate = flag.String("model.mutate", "", "take one guard after another out of the core, say what notices, and write the table to this file")
	modelOnly   = flag.String("model.only", "", "of the mutants, only those whose guard has this text")
	modelOn     = flag.Bool("model.on", false, "go on with a table that was broken off: what stands in the file is kept")
)

// TestMutantsApply: each guard of the table is still in the core, once.
func TestMutantsApply(t *testing.T) {
	for _, m := range mutants() {
		require.Equal(t, 1, strings.Count(source(t, m.file), m.text), "%s: %q", m.file, m.text)
	}
}

func source(t *testing.T, file string) string {
	t.Helper()
	body, err := os.ReadFile(file)
	require.NoError(t, err)
	return string(body)
}

// What the mutants are run against, one after another until one notices: the stories
// and properties with the shortest walk, the other short ones, and the walks of pairs.
var trials = [][][]string{
	{
		{"-test.run", "^Test(Scenarios|RandomEpisodes|Repeats|EntryOrder|OrdinaryNursingFinishes|Forecast|PlannedStandsBesideActual)$", "-rapid.checks=60", "-rapid.nofailfile"},
		{"-test.short", "-test.run", "^TestModelCheck$/^loose$"},
	},
	{{"-test.short", "-test.run", "^TestModelCheck$/^(small|volume_not_told|more_than_the_device_holds|another_plan_open|starter,_intervention)$"}},
	{{"-test.run", "^TestModelCheck$/^(small|loose)$"}},
}

// TestMutants is the mutation table: not a part of the ordinary run, since it builds the
// tests anew for each guard.
func TestMutants(t *testing.T) {
	if *modelMutate == "" {
		return // TestMutantsApply is what the ordinary run holds
	}
	dir := t.TempDir()
	binary, fault := build(t, dir, "sound.test", mutant{})
	require.Empty(t, fault)
	sound := make([]verdict, len(trials))
	rows := kept(t)
	for _, m := range mutants() {
		name := fmt.Sprintf("| %d | %s | `%s` |", m.rule, m.guard, m.file)
		known := slices.ContainsFunc(rows, func(row string) bool { return strings.HasPrefix(row, name) })
		if known || !strings.Contains(m.guard, *modelOnly) {
			continue
		}
		by := tryMutant(t, dir, m, func(i int) verdict { // what the unchanged core breaks, once asked for
			if !sound[i].made {
				sound[i] = newVerdict(t, binary, trials[i])
				require.Empty(t, sound[i].tests, "the unchanged core fails")
			}
			return sound[i]
		})
		if len(by) == 0 {
			by = []string{nothing}
		}
		rows = append(rows, name+" "+strings.Join(by, "; ")+" |")
		t.Log(rows[len(rows)-1])
		write(t, rows)
	}
}

func tryMutant(t *testing.T, dir string, m mutant, sound func(i int) verdict) []string {
	t.Helper()
	binary, fault := build(t, dir, "mutant.test", m)
	if fault != "" {
		t.Errorf("%s does not build: %s", m.guard, fault)
		return []string{"the compiler"}
	}
	for i, runs := range trials {
		if by := newVerdict(t, binary, runs).noticed(sound(i)); len(by) > 0 {
			return by
		}
	}
	return nil
}

// build compiles the tests against the core with the mutant's file in place of its own.
func build(t *testing.T, dir, name string, m mutant) (binary, fault string) {
	t.Helper()
	binary = filepath.Join(dir, name)
	args := []string{"test", "-c", "-ldflags=-s -w", "-o", binary, "."}
	if m.file != "" {
		original, err := filepath.Abs(m.file)
		require.NoError(t, err)
		changed, overlay := filepath.Join(dir, m.file), filepath.Join(dir, "overlay.json")
		require.NoError(t, os.WriteFile(changed, []byte(strings.Replace(source(t, m.file), m.text, m.with, 1)), 0o600))
		body, err := json.Marshal(map[string]any{"Replace": map[string]string{original: changed}})
		require.NoError(t, err)
		require.NoError(t, os.WriteFile(overlay, body, 0o600))
		args = append(args, "-overlay", overlay)
	}
	cmd := exec.CommandContext(t.Context(), "go", args...)
	cmd.Env = append(os.Environ(), "GOFLAGS=-vet=off")
	out, err := cmd.CombinedOutput()
	if err != nil {
		fault = string(out)
	}
	return binary, fault
}

// verdict is what noticed: broken rules of the model check, and other tests.
type verdict struct {
	rules, tests []string
	made         bool
}

var (
	brokenLine = regexp.MustCompile(`broken: (rule \d+: .*)`)
	failLine   = regexp.MustCompile(`--- FAIL: (\S+)`)
)

func newVerdict(t *testing.T, binary string, runs [][]string) verdict {
	t.Helper()
	v := verdict{made: true}
	for _, args := range runs {
		out, err := exec.CommandContext(t.Context(), binary, append(slices.Clone(args), "-test.timeout=5m")...).CombinedOutput()
		if err == nil {
			continue
		}
		for _, found := range brokenLine.FindAllStringSubmatch(string(out), -1) {
			v.rules = append(v.rules, found[1])
		}
		for _, found := range failLine.FindAllStringSubmatch(string(out), -1) {
			if !strings.HasPrefix(found[1], "TestModelCheck") && found[1] != "TestScenarios" {
				v.tests = append(v.tests, found[1])
			}
		}
		if strings.Contains(string(out), "panic: ") {
			v.tests = append(v.tests, "panic")
		}
	}
	return v
}

// noticed names what the unchanged core does not break: at most three rules, and a test.
func (v verdict) noticed(sound verdict) []string {
	var by []string
	for _, r := range v.rules {
		parts := strings.SplitN(r, ": ", 3)
		if name := parts[0] + ": " + parts[1]; !slices.Contains(sound.rules, r) && !slices.Contains(by, name) {
			by = append(by, name)
		}
	}
	slices.Sort(by)
	by = by[:min(len(by), 3)]
	if len(v.tests) > 0 {
		name, more := strings.TrimPrefix(v.tests[0], "TestScenarios/"), ""
		if n := len(v.tests) - 1; n > 0 {
			more = fmt.Sprintf(" and %d more", n)
		}
		by = append(by, "`"+name+"`"+more)
	}
	return by
}

const mutationsHead = `# Guards taken out, and what noticed

Each row is the core with one guard removed or turned off (internal/workflow/model_mutants_test.go
has the exact text), run against the bedside stories, the property tests and the model check.
The last column names the rules of the model check that the changed core broke (at most three),
and the story or property that failed. The number is the design rule that the guard serves; one
change may be noticed first by another rule.

Made by ` + "`go test ./internal/workflow -run '^TestMutants$' -timeout 3h -model.mutate $PWD/docs/mutations.md`" + `.

| rule | guard | file | noticed by |
|---|---|---|---|
`

const nothing = "**nothing**"

// kept are the rows of a table that was broken off.
func kept(t *testing.T) []string {
	t.Helper()
	if !*modelOn {
		return nil
	}
	body, err := os.ReadFile(*modelMutate)
	require.NoError(t, err)
	var rows []string
	for line := range strings.Lines(string(body)) {
		if strings.HasPrefix(line, "| ") && !strings.HasPrefix(line, "| rule") {
			rows = append(rows, strings.TrimSpace(line))
		}
	}
	return rows
}

func write(t *testing.T, rows []string) {
	t.Helper()
	survivors := 0
	for _, row := range rows {
		survivors += strings.Count(row, nothing)
	}
	text := mutationsHead + strings.Join(rows, "\n") + fmt.Sprintf("\n\n%d guards, %d not noticed.\n", len(rows), survivors)
	require.NoError(t, os.WriteFile(*modelMutate, []byte(text), 0o600))
}
