package conformance

import (
	"fmt"
	"slices"
	"strings"

	"fhirsvc/internal/fhir/validate/mutate"
)

// class is a kind of mutation and how the report puts it.
type class struct{ name, text string }

// classes in the order of the report.
func classes() []class {
	return []class{
		{mutate.Required, "required element dropped"},
		{mutate.JSONType, "value of another JSON type"},
		{mutate.Format, "value not in its primitive type's format"},
		{mutate.Cardinality, "two values where one is allowed"},
		{mutate.Array, "one value in an array, or an array's value alone"},
		{mutate.Choice, "second value of a choice, or a type that is not in it"},
		{mutate.Unknown, "unknown element"},
		{mutate.Duplicate, "member name twice"},
		{mutate.Null, "null for the value"},
		{mutate.Empty, "empty object, array or string"},
		{mutate.Companion, "wrong `_name` companion"},
		{mutate.Binding, "code outside a required value set"},
		{mutate.Target, "reference to a type that is not allowed"},
		{mutate.Invariant, "invariant violated"},
		{mutate.Bundle, "Bundle at odds with what R4 says in words"},
		{mutate.VitalSign, "vital sign that does not fit its published profile"},
		{mutate.Attachment, "Attachment whose size or hash is not that of its data"},
	}
}

// score is how many cases of a class a validator refused, of how many it was given.
type score struct{ refused, given int }

func scores(cases []Case, j Judgement) map[string]score {
	class := make(map[string]string, len(cases))
	for _, c := range cases {
		class[c.ID] = c.Class
	}
	out := map[string]score{}
	for _, v := range j.Verdicts {
		s := out[class[v.ID]]
		s.given++
		if v.Refused() {
			s.refused++
		}
		out[class[v.ID]] = s
	}
	return out
}

// Table gives, as Markdown, what each validator found of each class of mutation, and
// what of the valid ones it refused.
func Table(cases []Case, judgements []Judgement) string {
	var w strings.Builder
	all := make([]map[string]score, len(judgements))
	names := make([]string, len(judgements))
	for i, j := range judgements {
		all[i], names[i] = scores(cases, j), j.Name
	}
	fmt.Fprintf(&w, "| class | cases | %s |\n", strings.Join(names, " | "))
	fmt.Fprintf(&w, "|---|---|%s\n", strings.Repeat("---|", len(names)))
	total := make([]score, len(judgements))
	for _, c := range classes() {
		row(&w, c.text, all, c.name)
		for i := range all {
			total[i].refused += all[i][c.name].refused
			total[i].given += all[i][c.name].given
		}
	}
	fmt.Fprintf(&w, "| **all mutants found** | **%d** |", total[0].given)
	for _, s := range total {
		fmt.Fprintf(&w, " **%d** |", s.refused)
	}
	fmt.Fprintln(&w)
	row(&w, "seeds, valid: refused", all, Seed)
	row(&w, "published examples: refused", all, Published)
	return w.String()
}

func row(w *strings.Builder, text string, all []map[string]score, class string) {
	fmt.Fprintf(w, "| %s | %d |", text, all[0][class].given)
	for _, s := range all {
		fmt.Fprintf(w, " %d |", s[class].refused)
	}
	fmt.Fprintln(w)
}

// List gives the differences as Markdown, those of one reason together.
func List(list []*Difference) string {
	var w strings.Builder
	var order []string
	patterns := map[string][]string{}
	for _, d := range list {
		key := fmt.Sprintf("| %s | %s | %s |", d.Refuses, d.Reason, d.Standard)
		if !slices.Contains(order, key) {
			order = append(order, key)
		}
		patterns[key] = append(patterns[key], "`"+d.Pattern+"`")
	}
	fmt.Fprint(&w, "| cases | refused by | why | the standard |\n|---|---|---|---|\n")
	for _, key := range order {
		fmt.Fprintf(&w, "| %s %s\n", strings.Join(patterns[key], " "), key)
	}
	return w.String()
}

// Costs gives how long each validator took and how much memory it had, a line each.
func Costs(judgements []Judgement) string {
	var w strings.Builder
	for _, j := range judgements {
		fmt.Fprintf(&w, "%-18s %6d verdicts in %6.1f s, %5.0f a second", j.Name, len(j.Verdicts), j.Took.Seconds(), float64(len(j.Verdicts))/j.Took.Seconds())
		if j.Memory > 0 {
			fmt.Fprintf(&w, ", %d MB", j.Memory>>20)
		}
		fmt.Fprintln(&w)
	}
	return w.String()
}

// Replace puts text between the marks "<!-- name -->" and "<!-- /name -->" of a document.
func Replace(document, name, text string) (string, error) {
	before, rest, ok := strings.Cut(document, "<!-- "+name+" -->\n")
	_, after, ok2 := strings.Cut(rest, "<!-- /"+name+" -->")
	if !ok || !ok2 {
		return "", fmt.Errorf("the document has no marks for %s", name)
	}
	return before + "<!-- " + name + " -->\n" + text + "<!-- /" + name + " -->" + after, nil
}
