package site

import (
	"encoding/json"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"fhirsvc/internal/sandbox/bedside"
)

// check compares what is there with what people were told. It gives a line for each breach.
func check(stories []story, h *history, r *record) []string {
	breaches := slices.Clone(h.wrong)
	wrong := func(format string, args ...any) { breaches = append(breaches, fmt.Sprintf(format, args...)) }
	checkVersions(r, wrong)
	checkPlans(stories, h, r, wrong)
	checkEntries(stories, h, r, wrong)
	checkClaims(h, r, wrong)
	checkTasks(r, wrong)
	checkTold(r, wrong)
	checkTimes(r, wrong)
	if r.astray != "" {
		wrong("the archive differs from the record:\n%s", r.astray)
	}
	for _, episode := range r.replay {
		wrong("%s", episode)
	}
	if r.rejected > 0 || r.kept > 0 {
		wrong("%d events were refused and %d inputs are in quarantine: all were sound", r.rejected, r.kept)
	}
	return breaches
}

type complain func(format string, args ...any)

// checkVersions: versions count from 1 without a gap, and a search gives the last.
func checkVersions(r *record, wrong complain) {
	for at, versions := range r.versions {
		for i, body := range versions {
			if number(body) != i+1 {
				wrong("%s: version %d stands where %d should", at, number(body), i+1)
				break
			}
		}
		if last := versions[len(versions)-1]; number(r.current[at]) != number(last) {
			wrong("%s: a search gives version %d, the last is %d", at, number(r.current[at]), number(last))
		}
	}
	for at := range r.current {
		if r.versions[at] == nil {
			wrong("%s has no history", at)
		}
	}
}

// checkPlans: each acknowledged event made one plan, which goes by what was told last; its
// site is looked at, and its book adds up.
func checkPlans(stories []story, h *history, r *record, wrong complain) {
	plans, procedures := map[string][]string{}, map[string][]string{}
	for at, body := range r.current {
		var x struct {
			Identifier []struct{ System, Value string }
			Subject    struct{ Reference string }
		}
		_ = json.Unmarshal(body, &x) // the service's own JSON
		switch {
		case strings.HasPrefix(at, "CarePlan/"):
			plans[x.Subject.Reference] = append(plans[x.Subject.Reference], at)
		case strings.HasPrefix(at, "Procedure/") && len(x.Identifier) > 0:
			token := x.Identifier[0].System + "|" + x.Identifier[0].Value
			procedures[token] = append(procedures[token], x.Subject.Reference)
		}
	}
	for _, s := range stories {
		found := procedures[s.kase.Procedure()]
		if len(found) != 1 {
			if h.events[s.patient] || len(found) > 1 {
				wrong("the procedure of patient %d was acknowledged and is there %d times", s.patient, len(found))
			}
			continue
		}
		mine := plans[found[0]]
		if len(mine) != 1 {
			wrong("patient %d has the plans %v, one procedure was told", s.patient, mine)
			continue
		}
		if want := strconv.Itoa(s.book()) + " mL, known"; r.books[mine[0]] != want {
			wrong("%s of patient %d: the book says %q, the entries add up to %q", mine[0], s.patient, r.books[mine[0]], want)
		}
		if !looked(r, found[0]) {
			wrong("nobody is asked to look at the site of patient %d", s.patient)
		}
	}
	if len(plans) > len(stories) {
		wrong("there are %d patients with plans, %d were told of", len(plans), len(stories))
	}
}

// looked reports whether there is an open site check for the patient.
func looked(r *record, patient string) bool {
	for at, body := range r.current {
		if !strings.HasPrefix(at, "Task/") {
			continue
		}
		var of struct{ For struct{ Reference string } }
		t, err := bedside.ReadTask(body)
		if err == nil && json.Unmarshal(body, &of) == nil && of.For.Reference == patient && t.Code == "site-check" && t.Open() {
			return true
		}
	}
	return false
}

// checkEntries: each acknowledged entry is there once, under the id that was told, with
// what was found, when, and what became of it.
func checkEntries(stories []story, h *history, r *record, wrong complain) {
	there := map[string][]string{}
	for at, body := range r.current {
		var o struct {
			Identifier []struct{ System, Value string }
		}
		if strings.HasPrefix(at, "Observation/") && json.Unmarshal(body, &o) == nil && len(o.Identifier) > 0 {
			there[o.Identifier[0].Value] = append(there[o.Identifier[0].Value], at)
		}
	}
	for _, s := range stories {
		for _, e := range s.entries {
			key := e.finding.ID
			id := h.entries[key]
			if got := there[key]; len(got) > 1 || id != "" && (len(got) != 1 || got[0] != "Observation/"+id) {
				wrong("%s was acknowledged as Observation/%s and is there as %v", key, id, got)
				continue
			}
			if id != "" {
				checkEntry(e, h.amended[key], r.current["Observation/"+id], wrong)
			}
		}
	}
}

func checkEntry(e entry, amended bool, body []byte, wrong complain) {
	var o struct {
		Status            string
		EffectiveDateTime string
		ValueQuantity     struct{ Value json.Number }
	}
	if err := json.Unmarshal(body, &o); err != nil {
		wrong("%s: %v", e.finding.ID, err)
		return
	}
	status, amount := "final", e.finding.Amount
	switch {
	case amended && e.amend != "":
		status, amount = "corrected", e.amend
	case amended:
		status = "entered-in-error"
	}
	if want := e.finding.At.UTC().Format("2006-01-02T15:04:05.000Z07:00"); o.Status != status || o.ValueQuantity.Value.String() != amount || o.EffectiveDateTime != want {
		wrong("%s is %s %s mL at %s, want %s %s mL at %s", e.finding.ID, o.Status, o.ValueQuantity.Value, o.EffectiveDateTime, status, amount, want)
	}
}

// checkClaims: of those who saw a version one at most has the next, and it is theirs.
func checkClaims(h *history, r *record, wrong complain) {
	won := map[string]string{}
	for _, c := range h.claims {
		at := fmt.Sprintf("%s/%d", c.task, c.matched)
		if other := won[at]; other != "" {
			wrong("%s and %s both claimed %s", other, c.owner, at)
		}
		won[at] = c.owner
		var next struct{ Owner struct{ Display string } }
		if versions := r.versions[c.task]; len(versions) <= c.matched || json.Unmarshal(versions[c.matched], &next) != nil || next.Owner.Display != c.owner {
			was, _ := bedside.ReadTask([]byte(c.answer)) // the service's own JSON
			wrong("%s claimed %s and was given version %s, %s: of %d versions the next has the owner %q", c.owner, at, was.VersionID, was.Status, len(versions), next.Owner.Display)
		}
	}
}

// checkTasks: what is finished stays finished.
func checkTasks(r *record, wrong complain) {
	for at, versions := range r.versions {
		if !strings.HasPrefix(at, "Task/") {
			continue
		}
		ended := ""
		for _, body := range versions {
			t, err := bedside.ReadTask(body)
			switch {
			case err != nil:
				wrong("%s: %v", at, err)
			case ended != "" && t.Status != ended && t.Status != "entered-in-error":
				wrong("%s was %s and is %s", at, ended, t.Status)
			case !t.Open():
				ended = t.Status
			}
		}
	}
}

// checkTold: each version was told at least once, those of a resource and the steps of an
// episode for the first time in order; and so to the endpoint.
func checkTold(r *record, wrong complain) {
	seen, latest, step := map[string]bool{}, map[string]int{}, map[string]int{}
	for _, c := range r.told {
		at := c.Type + "/" + c.ID
		if seen[at+"/"+c.VersionID] {
			continue // a repeat, which readers drop
		}
		seen[at+"/"+c.VersionID] = true
		n, _ := strconv.Atoi(c.VersionID) // the service's own number
		if n != latest[at]+1 {
			wrong("version %s of %s was told after %d", c.VersionID, at, latest[at])
		}
		latest[at] = n
		if c.Episode != "" && c.Seq < step[c.Episode] {
			wrong("%s/%s, of step %d, was told after step %d of its episode", at, c.VersionID, c.Seq, step[c.Episode])
		}
		step[c.Episode] = max(step[c.Episode], c.Seq)
	}
	for at, versions := range r.versions {
		if latest[at] != len(versions) {
			wrong("%d versions of %s are stored, %d were told", len(versions), at, latest[at])
		}
		if strings.HasPrefix(at, "Task/") && r.hooked[at] != len(versions) {
			wrong("%d versions of %s are stored, the endpoint took %d", len(versions), at, r.hooked[at])
		}
	}
	for at := range latest {
		if r.versions[at] == nil {
			wrong("%s was told and is not stored", at)
		}
	}
	for _, at := range r.disorder {
		wrong("the endpoint took %s before the version ahead of it", at)
	}
}
