package conformance

import (
	"bufio"
	"fmt"
	"io"
	"path"
	"strings"
)

// Difference is an entry of the list of cases on which our validator and the reference
// differ, with what the standard says. The standard decides.
type Difference struct {
	Pattern  string // of case ids, as path.Match has it, "**" at the end for any rest
	Refuses  string // who refuses: "ours" or "reference"
	Says     string // part of the text of the first error, "" for any
	Reason   string // why they differ, who follows the standard
	Standard string // the standard's words and their place
	used     bool
}

// ReadDifferences reads the list. An entry is a block of lines "case: …", "refuses: …",
// "says: …" where one is needed, "reason: …", "standard: …"; several case lines may share
// the rest; # is a remark.
func ReadDifferences(r io.Reader) ([]*Difference, error) {
	var out []*Difference
	var patterns []string
	entry := map[string]string{}
	finish := func() error {
		if len(entry) == 0 && len(patterns) == 0 {
			return nil
		}
		if who := entry["refuses"]; who != "ours" && who != "reference" {
			return fmt.Errorf("%v: refuses: %q, want ours or reference", patterns, who)
		}
		if len(patterns) == 0 || entry["reason"] == "" || entry["standard"] == "" {
			return fmt.Errorf("%v: an entry needs case, refuses, reason and standard", patterns)
		}
		for _, p := range patterns {
			out = append(out, &Difference{Pattern: p, Refuses: entry["refuses"], Says: entry["says"], Reason: entry["reason"], Standard: entry["standard"]})
		}
		patterns, entry = nil, map[string]string{}
		return nil
	}
	for s := bufio.NewScanner(r); ; {
		if !s.Scan() {
			if err := s.Err(); err != nil {
				return nil, err
			}
			return out, finish()
		}
		line := strings.TrimSpace(s.Text())
		key, value, ok := strings.Cut(line, ": ")
		switch {
		case line == "":
			if err := finish(); err != nil {
				return nil, err
			}
		case strings.HasPrefix(line, "#"):
		case ok && key == "case":
			patterns = append(patterns, value)
		case ok:
			entry[key] = value
		default:
			return nil, fmt.Errorf("what is this line? %q", line)
		}
	}
}

// explains reports whether the entry speaks of this error in the case, which who alone
// found.
func (d *Difference) explains(id, who string, e *Issue) bool {
	if who != d.Refuses || !strings.Contains(e.Message, d.Says) {
		return false
	}
	if prefix, ok := strings.CutSuffix(d.Pattern, "**"); ok {
		// Compare as many segments as the prefix has.
		n := strings.Count(prefix, "/")
		head := id
		if parts := strings.SplitAfterN(id, "/", n+1); len(parts) == n+1 {
			head = strings.Join(parts[:n], "")
		}
		ok, err := path.Match(prefix, head)
		return err == nil && ok
	}
	ok, err := path.Match(d.Pattern, id)
	return err == nil && ok
}

// Unexplained gives, a line each, what is wrong with the agreement of ours and the
// reference: differences that the list does not explain, entries that explain nothing,
// and, whatever the list says, anything stored that either refuses.
func Unexplained(cases []Case, ours, reference Judgement, list []*Difference) []string {
	var faults []string
	for i, c := range cases {
		if c.Class == HL7 {
			continue // held to HL7's own verdict, see CaseTable
		}
		we, they := ours.Verdicts[i].FirstError(), reference.Verdicts[i].FirstError()
		if (we == nil) == (they == nil) && (c.Class != Stored || we == nil) {
			continue
		}
		who, e := "ours", we
		if we == nil {
			who, e = "reference", they
		}
		explained := false
		for _, d := range list {
			if c.Class != Stored && d.explains(c.ID, who, e) {
				d.used, explained = true, true
			}
		}
		if !explained {
			faults = append(faults, fmt.Sprintf("%s: %s refuses it, at %s: %s", c.ID, who, e.Location, e.Message))
		}
	}
	for _, d := range list {
		if !d.used {
			faults = append(faults, fmt.Sprintf("%s: listed as refused by %s alone, and there is no such difference: take it off the list", d.Pattern, d.Refuses))
		}
	}
	return faults
}
