package storetest

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"pgregory.net/rapid"
)

// clause is one parameter of a query, and what it asks of the resource with this id.
type clause struct {
	name, value string
	holds       func(w bedside, id string) bool
}

func (c clause) String() string { return c.name + "=" + c.value }

// moment is a time that is told to a year, month, day, minute or second, as R4 has them.
type moment struct {
	at     time.Time
	layout string
}

func (m moment) text() string { return m.at.Format(m.layout) }

// day is the moment to a day at most, as an R4 date is.
func (m moment) day() moment {
	if strings.Contains(m.layout, "T") {
		m.layout = time.DateOnly
	}
	return m
}

// first and next are the instants at which it begins and at which it is over.
func (m moment) first() time.Time {
	t, err := time.Parse(m.layout, m.text())
	if err != nil {
		panic(err) // written by the same layout
	}
	return t
}

func (m moment) next() time.Time {
	first := m.first()
	switch m.layout {
	case "2006":
		return first.AddDate(1, 0, 0)
	case "2006-01":
		return first.AddDate(0, 1, 0)
	case time.DateOnly:
		return first.AddDate(0, 0, 1)
	}
	return first.Add(time.Second)
}

func moments() *rapid.Generator[moment] {
	return rapid.Custom(func(t *rapid.T) moment {
		return moment{
			at: readingNow().Add(time.Duration(rapid.SampledFrom([]int64{-9000, -800, -25, -24, -1, 0, 1, 25, 700}).Draw(t, "hours")) * time.Hour).
				Add(time.Duration(rapid.IntRange(0, 2).Draw(t, "seconds")) * time.Second),
			layout: rapid.SampledFrom([]string{"2006", "2006-01", time.DateOnly, time.RFC3339, time.RFC3339}).Draw(t, "layout"),
		}
	})
}

// dates asks of a moment what R4 search.html#prefix says.
func dates(t *rapid.T) (value string, holds func(moment) bool) {
	asked := moments().Draw(t, "date")
	prefix := rapid.SampledFrom([]string{"", "eq", "ne", "gt", "lt", "ge", "le", "sa", "eb", "ap"}).Draw(t, "prefix")
	lo, over := asked.first(), asked.next()
	return prefix + asked.text(), func(m moment) bool {
		first, next := m.first(), m.next()
		inside := !first.Before(lo) && !next.After(over)
		switch prefix {
		case "ne":
			return !inside
		case "gt":
			return next.After(over)
		case "lt":
			return first.Before(lo)
		case "ge":
			return next.After(over) || inside
		case "le":
			return first.Before(lo) || inside
		case "sa":
			return !first.Before(over)
		case "eb":
			return !next.After(lo)
		case "ap": // within a tenth of the gap from now, to both sides
			last := over.Add(-1)
			from, to := lo.Add(-apart(readingNow(), lo)/10), last.Add(apart(readingNow(), last)/10)
			return !next.Add(-1).Before(from) && !first.After(to)
		}
		return inside
	}
}

func apart(a, b time.Time) time.Duration { return a.Sub(b).Abs() }

// amounts asks of a value in tenths: a number without a prefix is as exact as it is written.
func amounts(t *rapid.T) (value string, holds func(observation) bool) {
	asked := rapid.SampledFrom([]int64{-10, 0, 95, 100, 101, 105, 110}).Draw(t, "number")
	prefix := rapid.SampledFrom([]string{"", "ne", "gt", "lt", "ge", "le", "sa", "eb", "ap"}).Draw(t, "prefix")
	text, half := decimal(asked), int64(5) // of hundredths
	if asked%10 == 0 && rapid.Bool().Draw(t, "whole") {
		text, half = fmt.Sprint(asked/10), 50
	}
	unit := rapid.SampledFrom([]string{"", "|urn:ucum|mL", "||mL", "||L", "|urn:other|mL"}).Draw(t, "unit")
	return prefix + text + unit, func(o observation) bool {
		if o.answer != "" || unit != "" && (!strings.HasSuffix(unit, "|"+o.unit) || strings.Contains(unit, "other")) {
			return false
		}
		hundredths, want := o.tenths*10, asked*10
		inside := hundredths >= want-half && hundredths < want+half
		switch prefix {
		case "ne":
			return !inside
		case "gt", "sa":
			return hundredths > want
		case "lt", "eb":
			return hundredths < want
		case "ge":
			return hundredths >= want
		case "le":
			return hundredths <= want
		case "ap":
			tenth := max(want, -want) / 10
			return hundredths >= want-tenth && hundredths <= want+tenth
		}
		return inside
	}
}

// plainly folds a text as far as these tests' texts need it.
func plainly(text string) string { return strings.ReplaceAll(strings.ToLower(text), "å", "a") }

func (w bedside) patient(id string) patient {
	i := slices.IndexFunc(w.patients, func(p patient) bool { return p.id == id })
	if i < 0 {
		return patient{}
	}
	return w.patients[i]
}

func (w bedside) task(id string) task {
	return w.tasks[slices.IndexFunc(w.tasks, func(k task) bool { return k.id == id })]
}

func (w bedside) observation(id string) observation {
	return w.observations[slices.IndexFunc(w.observations, func(o observation) bool { return o.id == id })]
}

func clausesOf(resourceType string) *rapid.Generator[clause] {
	return rapid.Custom(func(t *rapid.T) clause {
		switch resourceType {
		case "Patient":
			return patientClause(t, true)
		case "Task":
			return taskClause(t, true)
		}
		return observationClause(t, true)
	})
}

func pick(t *rapid.T, name string, from []string) string {
	return rapid.SampledFrom(from).Draw(t, name)
}

// patientClause asks about a patient; chained ones ask others as well.
func patientClause(t *rapid.T, chained bool) clause {
	family := pick(t, "family", []string{"Berg", "berg", "Åkesson", "AKESSON", "man", "van", "akes"})
	kinds := []string{"family", "exact", "contains", "gender", "missing", "birthdate"}
	if chained {
		kinds = append(kinds, "has task", "has observation")
	}
	of := func(name, value string, holds func(patient) bool) clause {
		return clause{name, value, func(w bedside, id string) bool { return holds(w.patient(id)) }}
	}
	switch pick(t, "kind", kinds) {
	case "family":
		return of("family", family, func(p patient) bool { return strings.HasPrefix(plainly(p.family), plainly(family)) })
	case "exact":
		return of("family:exact", family, func(p patient) bool { return p.family == family })
	case "contains":
		return of("name:contains", family, func(p patient) bool { return strings.Contains(plainly(p.family), plainly(family)) })
	case "gender":
		return of("gender", "male,other", func(p patient) bool { return p.gender == "male" })
	case "missing":
		return of("gender:missing", "true", func(p patient) bool { return p.gender == "" })
	case "birthdate":
		value, holds := dates(t)
		return of("birthdate", value, func(p patient) bool { return holds(p.born) })
	case "has task":
		inner := taskClause(t, false)
		return clause{"_has:Task:patient:" + inner.name, inner.value, func(w bedside, id string) bool {
			return slices.ContainsFunc(w.tasks, func(k task) bool { return k.patient == id && inner.holds(w, k.id) })
		}}
	}
	inner := observationClause(t, false)
	return clause{"_has:Observation:subject:" + inner.name, inner.value, func(w bedside, id string) bool {
		return slices.ContainsFunc(w.observations, func(o observation) bool { return o.patient == id && inner.holds(w, o.id) })
	}}
}

func taskClause(t *rapid.T, chained bool) clause {
	kinds := []string{"status", "not", "code", "text", "patient", "number", "missing", "due"}
	if chained {
		kinds = append(kinds, "of patient", "of whole", "of part")
	}
	of := func(name, value string, holds func(task) bool) clause {
		return clause{name, value, func(w bedside, id string) bool { return holds(w.task(id)) }}
	}
	status := pick(t, "status", statuses())
	switch pick(t, "kind", kinds) {
	case "status":
		return of("status", status+",http://hl7.org/fhir/task-status|draft", func(k task) bool { return k.status == status || k.status == "draft" })
	case "not":
		return of("status:not", status, func(k task) bool { return k.status != status })
	case "code":
		return of("code", "urn:cs|a", func(k task) bool { return k.code == "a" })
	case "text":
		said := pick(t, "said", []string{"site", "Site c", "CHECK", "eck"})
		starts := func(text string) bool { return text != "" && strings.HasPrefix(plainly(text), plainly(said)) }
		return of("code:text", said, func(k task) bool { return starts(k.display) || starts(k.text) })
	case "patient":
		return of("patient:missing", "false", func(task) bool { return true })
	case "number":
		return of("patient:identifier", "urn:mrn|7", func(k task) bool { return k.number == "7" })
	case "missing":
		return of("priority:missing", "true", func(k task) bool { return k.priority == "" })
	case "of patient":
		inner := patientClause(t, false)
		return clause{"subject:Patient." + inner.name, inner.value, func(w bedside, id string) bool {
			p := w.task(id).patient
			return p != "" && inner.holds(w, p)
		}}
	case "of whole":
		inner := taskClause(t, false)
		return clause{"part-of." + inner.name, inner.value, func(w bedside, id string) bool {
			whole := w.task(id).partOf
			return whole != "" && inner.holds(w, whole)
		}}
	case "of part":
		inner := taskClause(t, false)
		return clause{"_has:Task:part-of:" + inner.name, inner.value, func(w bedside, id string) bool {
			return slices.ContainsFunc(w.tasks, func(k task) bool { return k.partOf == id && inner.holds(w, k.id) })
		}}
	}
	value, holds := dates(t)
	return of("due-date", value, func(k task) bool { return holds(k.due) })
}

func observationClause(t *rapid.T, chained bool) clause {
	kinds := []string{"code", "date", "quantity", "composite", "answer", "coded"}
	if chained {
		kinds = append(kinds, "of patient")
	}
	of := func(name, value string, holds func(observation) bool) clause {
		return clause{name, value, func(w bedside, id string) bool { return holds(w.observation(id)) }}
	}
	switch pick(t, "kind", kinds) {
	case "code":
		return of("code", "a", func(o observation) bool { return o.code == "a" })
	case "date":
		value, holds := dates(t)
		return of("date", value, func(o observation) bool { return holds(o.when) })
	case "quantity":
		value, holds := amounts(t)
		return of("value-quantity", value, holds)
	case "composite":
		value, holds := amounts(t)
		code := pick(t, "code", codes())
		return of("code-value-quantity", "urn:cs|"+code+"$"+value, func(o observation) bool { return o.code == code && holds(o) })
	case "answer":
		return of("value-concept:missing", "false", func(o observation) bool { return o.answer != "" })
	case "of patient":
		inner := patientClause(t, false)
		return clause{"patient." + inner.name, inner.value, func(w bedside, id string) bool { return inner.holds(w, w.observation(id).patient) }}
	}
	return of("code-value-concept", "a$none,b$urn:a|much", func(o observation) bool {
		return o.code == "a" && o.answer == "none" || o.code == "b" && o.answer == "much"
	})
}
