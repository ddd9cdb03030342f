package workflow

import (
	"slices"
	"time"
)

// planIssues keeps the contradictions between findings: opened when they are found,
// settled when the facts no longer contradict each other.
func (m *machine) planIssues() {
	open := m.v.issues()
	for i := range m.e.Issues {
		was := &m.e.Issues[i]
		still := slices.IndexFunc(open, func(is Issue) bool { return is.Code == was.Code && is.Since.Equal(was.Since) })
		switch {
		case still < 0 && was.Settled.IsZero():
			was.Settled, was.How = m.now, m.v.settledHow(was.Code)
		case still >= 0:
			was.Text, was.Findings = open[still].Text, open[still].Findings
			was.Settled, was.How = time.Time{}, "" // a correction may bring it back
			open = slices.Delete(open, still, still+1)
		}
	}
	for _, is := range open {
		is.Ordinal = 1
		for _, was := range m.e.Issues {
			if was.Code == is.Code {
				is.Ordinal++
			}
		}
		m.e.Issues = append(m.e.Issues, is)
	}
}

// issues lists what contradicts what by the facts as they stand.
func (v *view) issues() []Issue {
	var list []Issue
	add := func(is Issue) {
		same := func(x Issue) bool { return x.Code == is.Code && x.Since.Equal(is.Since) }
		if !slices.ContainsFunc(list, same) {
			list = append(list, is)
		}
	}
	for _, d := range v.ledger.doubts {
		if d.issue != "" {
			add(Issue{Code: d.issue, Text: d.why, Findings: d.findings, Since: d.at})
		}
	}
	if b, test := v.site.bleed, v.flow.shut; b != nil && v.notPatent() {
		add(Issue{
			Code: IssueOpposed, Since: later(b.since, test.When()), Findings: []string{b.finding, test.ID},
			Text: "the site bleeds and the artery is not open: pressure and flow ask for opposite things",
		})
	}
	return list
}

// settledHow says what ended a contradiction.
func (v *view) settledHow(code IssueCode) string {
	if code == IssueOpposed {
		return "a later finding"
	}
	if n := len(v.ledger.entries); n > 0 {
		if last := v.ledger.entries[n-1]; last.Reason != "" {
			return last.Reason
		}
	}
	return "what contradicted it was corrected or taken back"
}
