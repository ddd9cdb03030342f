package workflow_test

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/workflow"
)

// findingNames are the short names of findings in scenarios.
var findingNames = map[string]workflow.FindingCode{
	"bleeding": workflow.Bleeding, "patency": workflow.Patency, "pulse": workflow.Pulse,
	"volume": workflow.AirVolume, "removed": workflow.AirRemoved, "added": workflow.AirAdded,
	"compression-start": workflow.CompressionStart, "band": workflow.Band,
	"haematoma": workflow.Haematoma, "hand": workflow.Hand, "condition": workflow.Condition,
	"pain": workflow.Pain, "pressure": workflow.Pressure, "given": workflow.Anticoagulant,
}

func (s *story) observe() string {
	found := s.when("at")
	st := s.stamp()
	var findings []workflow.Finding
	for _, a := range s.d.CmdArgs {
		if code, ok := findingNames[a.Key]; ok {
			findings = append(findings, s.finding(code, a.Vals[0], found, st.At, len(findings)))
		}
	}
	if id := s.arg("id"); id != "" {
		findings[0].ID = id
	}
	return s.step(workflow.Charted{Stamp: st, Findings: findings})
}

func (s *story) batch() string {
	st := s.stamp()
	var findings []workflow.Finding
	for line := range strings.Lines(s.d.Input) {
		words := strings.Fields(line)
		for _, w := range words[1:] {
			name, value, _ := strings.Cut(w, "=")
			findings = append(findings, s.finding(findingNames[name], value, s.clockTime(words[0]), st.At, len(findings)))
		}
	}
	return s.step(workflow.Charted{Stamp: st, Findings: findings})
}

// finding makes one finding from name=value; a value may be not-done or not-assessed.
func (s *story) finding(code workflow.FindingCode, value string, found, recorded time.Time, entry int) workflow.Finding {
	s.n++
	f := workflow.Finding{
		ID: fmt.Sprintf("f%d", s.n), Code: code, Found: found, Recorded: recorded, Entry: entry,
		By: s.by(), Side: workflow.Side(s.arg("side")),
	}
	if m := s.arg("method"); code == workflow.Patency {
		f.Method = workflow.Method(orElse(m, string(workflow.WaveformUlnarCompressed)))
	}
	switch {
	case value == "not-done":
		f.Missing = workflow.NotPerformed
	case value == "not-assessed":
		f.Missing = workflow.CouldNotAssess
	case code == workflow.CompressionStart:
		f.Instant = s.clockTime(value)
	case code == workflow.Anticoagulant:
		f.Text = value // a kind of drug, or a name from which nobody can tell the kind
		if d := workflow.Drug(value); slices.Contains([]workflow.Drug{workflow.Heparin, workflow.GlycoproteinInhibitor, workflow.OtherAnticoagulant}, d) {
			f.Drug = d
		}
	case code == workflow.AirVolume || code == workflow.AirRemoved || code == workflow.AirAdded ||
		code == workflow.Pain || code == workflow.Pressure:
		d, err := workflow.ParseDecimal(value)
		require.NoError(s.t, err)
		f.Amount = &d
	default:
		f.Answer = workflow.Answer(value)
		if d := s.decimal("diameter"); code == workflow.Haematoma && d != nil {
			f.Amount = d
		}
		if g := s.arg("grade"); code == workflow.Haematoma && g != "" {
			f.Grade = int(g[0] - '0')
		}
		if signs := s.arg("signs"); code == workflow.Hand && signs != "" {
			for sign := range strings.SplitSeq(signs, "+") {
				f.Signs = append(f.Signs, workflow.HandSign(sign))
			}
		}
	}
	return f
}

func (s *story) task() string {
	u := workflow.TaskUpdate{
		Task: taskKey(s.arg("key")), Status: workflow.TaskStatus(s.arg("status")),
		Reason: s.arg("reason"), End: s.when("end"), By: s.by(),
	}
	if owner := s.arg("owner"); owner != "" {
		u.Owner = &owner
	}
	return s.step(workflow.Charted{Stamp: s.stamp(), Updates: []workflow.TaskUpdate{u}})
}

func taskKey(text string) workflow.TaskKey {
	parts := strings.Split(text, "/")
	key := workflow.TaskKey{Code: workflow.TaskCode(parts[0])}
	if len(parts) == 3 {
		key.Purpose = parts[1]
	}
	_, _ = fmt.Sscanf(parts[len(parts)-1], "%d", &key.Ordinal)
	return key
}

func (s *story) order() string {
	st := s.stamp()
	s.n++
	o := workflow.Order{
		ID: fmt.Sprintf("o%d", s.n), Code: workflow.OrderCode(s.arg("code")), Given: st.At, Recorded: st.At,
		By: orElse(s.arg("by"), "clinician"), Reason: strings.ReplaceAll(s.arg("reason"), "_", " "),
		Until: s.when("until"), Time: s.when("time"), Amount: s.decimal("amount"),
	}
	return s.step(workflow.Charted{Stamp: st, Orders: []workflow.Order{o}})
}
