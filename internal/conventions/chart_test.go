package conventions

import (
	"io/fs"
	"regexp"
	"strings"
	"testing"
	"testing/fstest"

	"github.com/stretchr/testify/require"
)

const chart = "deploy/helm/fhirsvc/"

var variable = regexp.MustCompile(`\bFHIRSVC_[A-Z_]+\b`)

// chartVariables: the chart's values explain exactly the variables that its templates
// set.
func chartVariables(t *testing.T, tree fs.FS) []string {
	t.Helper()
	explained := variablesIn(t, tree, chart+"values.yaml")
	set := variablesIn(t, tree, files(t, tree, anyFile, chart+"templates")...)
	var faults []string
	for name := range set {
		if !explained[name] {
			faults = append(faults, chart+"values.yaml: does not explain "+name)
		}
	}
	for name := range explained {
		if !set[name] {
			faults = append(faults, chart+"templates: none sets "+name)
		}
	}
	return faults
}

// variablesIn collects the service's variables that the files name; comments that
// explain all of them at once (FHIRSVC_*) name none.
func variablesIn(t *testing.T, tree fs.FS, paths ...string) map[string]bool {
	t.Helper()
	names := map[string]bool{}
	for _, p := range paths {
		content, err := fs.ReadFile(tree, p)
		require.NoError(t, err)
		for _, name := range variable.FindAllString(strings.ReplaceAll(string(content), "FHIRSVC_*", ""), -1) {
			names[name] = true
		}
	}
	return names
}

func TestChartVariables(t *testing.T) {
	holds(t, chartVariables)
	values := text("# Each is one FHIRSVC_* variable.", "# -- FHIRSVC_NATS_URL: the broker", "natsURL: x")
	judges(t, chartVariables, fstest.MapFS{
		chart + "values.yaml": values, chart + "templates/x.yaml": text("- name: FHIRSVC_NATS_URL"),
	}, map[string]fstest.MapFS{
		"one that is not set":       {chart + "values.yaml": values},
		"one that is not explained": {chart + "values.yaml": text("x: 1"), chart + "templates/x.yaml": text("- name: FHIRSVC_NATS_URL")},
	})
}

var (
	alert        = regexp.MustCompile(`(?m)^- alert: (\w+)$`)
	alertSection = regexp.MustCompile(`(?m)^## (Fhirsvc\w+)$`)
)

// runbook: whoever is called by an alert finds a section of its name in docs/runbook.md, where
// the alert's link leads, and no section is of an alert that is gone.
func runbook(t *testing.T, tree fs.FS) []string {
	t.Helper()
	alerts := found(t, tree, chart+"templates/_alerts.tpl", alert)
	sections := found(t, tree, "docs/runbook.md", alertSection)
	var faults []string
	for name := range alerts {
		if !sections[name] {
			faults = append(faults, "docs/runbook.md: no section "+name)
		}
	}
	for name := range sections {
		if !alerts[name] {
			faults = append(faults, "docs/runbook.md: no alert "+name)
		}
	}
	if len(alerts) == 0 {
		faults = append(faults, chart+"templates/_alerts.tpl: no alert")
	}
	return faults
}

// found collects what the form's group matches in a file.
func found(t *testing.T, tree fs.FS, p string, form *regexp.Regexp) map[string]bool {
	t.Helper()
	content, err := fs.ReadFile(tree, p)
	require.NoError(t, err)
	names := map[string]bool{}
	for _, m := range form.FindAllStringSubmatch(string(content), -1) {
		names[m[1]] = true
	}
	return names
}

func TestRunbook(t *testing.T) {
	holds(t, runbook)
	alerts := text("- alert: FhirsvcAway", "  for: 1m", "- alert: FhirsvcSlow")
	judges(t, runbook, fstest.MapFS{
		chart + "templates/_alerts.tpl": alerts, "docs/runbook.md": text("# Alerts", "## FhirsvcAway", "## FhirsvcSlow", "## Else"),
	}, map[string]fstest.MapFS{
		"an alert without a section": {chart + "templates/_alerts.tpl": alerts, "docs/runbook.md": text("## FhirsvcAway")},
		"a section without an alert": {
			chart + "templates/_alerts.tpl": alerts, "docs/runbook.md": text("## FhirsvcAway", "## FhirsvcSlow", "## FhirsvcGone"),
		},
		"no alert at all": {chart + "templates/_alerts.tpl": text("# none"), "docs/runbook.md": text("# Alerts")},
	})
}
