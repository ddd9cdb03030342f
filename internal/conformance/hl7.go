package conformance

import (
	"bufio"
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
)

// HL7Cases gives HL7's own validator cases of a folder, whose README.md names the source.
// Their verdicts are compared with the recorded ones, not with what the reference says
// here: some were recorded under options of its own.
func HL7Cases(folder string) ([]Case, error) {
	body, err := os.ReadFile(filepath.Join(folder, "cases.json"))
	if err != nil {
		return nil, err
	}
	var list []struct{ Name, File, Expected string }
	if err := json.Unmarshal(body, &list); err != nil {
		return nil, fmt.Errorf("%s: %w", folder, err)
	}
	var out []Case
	for _, c := range list {
		resource, err := os.ReadFile(filepath.Join(folder, c.File))
		if err != nil {
			return nil, err
		}
		if c.Expected != "valid" && c.Expected != "invalid" {
			return nil, fmt.Errorf("%s: expected %q", c.Name, c.Expected)
		}
		out = append(out, Case{
			ID: "hl7/" + c.Name, Class: HL7, Type: typeOf(resource), Body: resource, Invalid: c.Expected == "invalid",
		})
	}
	return out, nil
}

// Reasons reads a list of exceptions: a name, a tab, the reason; # is a remark.
func Reasons(file string) (map[string]string, error) {
	body, err := os.ReadFile(file)
	if err != nil {
		return nil, err
	}
	out := map[string]string{}
	for s := bufio.NewScanner(bytes.NewReader(body)); s.Scan(); {
		if strings.HasPrefix(s.Text(), "#") || s.Text() == "" {
			continue
		}
		name, reason, ok := strings.Cut(s.Text(), "\t")
		if !ok || reason == "" {
			return nil, fmt.Errorf("%s: no reason: %s", file, s.Text())
		}
		out[name] = reason
	}
	return out, nil
}

// CaseTable gives a row for each of HL7's cases: what HL7 recorded, who judges otherwise,
// and why ours does.
func CaseTable(cases []Case, judgements []Judgement, reasons map[string]string) string {
	var w strings.Builder
	verdict := func(invalid bool) string {
		if invalid {
			return "invalid"
		}
		return "valid"
	}
	fmt.Fprint(&w, "| case | HL7 |")
	for _, j := range judgements {
		fmt.Fprintf(&w, " %s |", j.Name)
	}
	fmt.Fprintf(&w, " why ours differs |\n|---|---|%s---|\n", strings.Repeat("---|", len(judgements)))
	agree, total := make([]int, len(judgements)), 0
	for i, c := range cases {
		if c.Class != HL7 {
			continue
		}
		total++
		name := strings.TrimPrefix(c.ID, HL7+"/")
		fmt.Fprintf(&w, "| %s | %s |", name, verdict(c.Invalid))
		for k, j := range judgements {
			if refused := j.Verdicts[i].Refused(); refused == c.Invalid {
				agree[k]++
				fmt.Fprint(&w, " ✓ |")
			} else {
				fmt.Fprintf(&w, " %s |", verdict(refused))
			}
		}
		fmt.Fprintf(&w, " %s |\n", reasons[name])
	}
	fmt.Fprintf(&w, "| **agree with HL7** | **%d** |", total)
	for _, n := range agree {
		fmt.Fprintf(&w, " **%d** |", n)
	}
	fmt.Fprintln(&w, " |")
	return w.String()
}
