package foreign

import (
	"cmp"
	"context"
	"slices"
)

// Task is what a ward's list shows of one.
type Task struct {
	Due      string // date and time to the minute, UTC; "" if it is bound to no time
	Status   string
	Priority string
	Name     string
}

// Tasks gives what a server answers to a search for Tasks, by due time.
func Tasks(ctx context.Context, base, query string) ([]Task, error) {
	found, err := search(ctx, base, query)
	if err != nil {
		return nil, err
	}
	var all []Task
	for _, r := range found {
		t := Task{Status: text(r["status"]), Priority: text(r["priority"]), Name: text(object(r["code"])["text"])}
		const minute = len("2026-03-02T10:15")
		if due := text(object(object(r["restriction"])["period"])["end"]); len(due) > minute {
			t.Due = due[:minute]
		}
		all = append(all, t)
	}
	slices.SortStableFunc(all, func(a, b Task) int {
		if (a.Due == "") != (b.Due == "") {
			return cmp.Compare(b.Due, a.Due) // what is bound to no time comes last
		}
		return cmp.Or(cmp.Compare(a.Due, b.Due), cmp.Compare(a.Name, b.Name))
	})
	return all, nil
}

// Ended reports whether a patient has a plan there, and all of them are ended.
func Ended(ctx context.Context, base, patient string) (bool, error) {
	found, err := search(ctx, base, "CarePlan?patient="+patient)
	if err != nil {
		return false, err
	}
	for _, r := range found {
		if status := r["status"]; status != "completed" && status != "revoked" {
			return false, nil
		}
	}
	return len(found) > 0, nil
}
