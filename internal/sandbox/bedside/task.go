package bedside

import (
	"cmp"
	"context"
	"encoding/json"
	"slices"
	"strings"
	"time"

	"fhirsvc/internal/fhir"
)

// coding is a code with its system.
type coding struct{ System, Code, Display string }

type concept struct {
	Coding []coding
	Text   string
}

// local gives the concept's code in the local code system; "" if it has none.
func (c concept) local() string { return c.of(fhir.SystemLocal) }

func (c concept) of(system string) string {
	for _, x := range c.Coding {
		if x.System == system {
			return x.Code
		}
	}
	return ""
}

// Task is what a charting screen reads of a Task.
type Task struct {
	ID         string
	Key        string // code, purpose and ordinal, such as release-step/3
	Code       string // local code
	Name       string
	Status     string
	Reason     string
	Priority   string
	Lateness   string    // "" in time
	Start      time.Time // earliest; zero if none
	Due        time.Time // zero if it is bound to no time
	Planned    string    // mL, "" if none
	Required   []string  // codes of findings
	Outputs    []string  // references
	Notes      []string
	Owner      string
	Began      time.Time
	Ended      time.Time
	VersionID  string
	Authored   time.Time
	GroupValue string
}

// Open reports whether it is still to be done.
func (t Task) Open() bool {
	switch t.Status {
	case "draft", "ready", "in-progress", "on-hold", "requested", "received", "accepted":
		return true
	}
	return false
}

// Turn reports whether somebody may work on it now.
func (t Task) Turn() bool { return t.Status == "ready" || t.Status == "in-progress" }

// Tasks gives the Tasks of a patient in order of their due times, those without last.
func (c *Client) Tasks(ctx context.Context, patient string) ([]Task, error) {
	found, err := c.Search(ctx, "Task?_count=200&patient="+patient)
	if err != nil {
		return nil, err
	}
	var tasks []Task
	for _, body := range found {
		t, err := ReadTask(body)
		if err != nil {
			return nil, err
		}
		tasks = append(tasks, t)
	}
	slices.SortStableFunc(tasks, func(a, b Task) int {
		if a.Due.IsZero() != b.Due.IsZero() {
			if a.Due.IsZero() {
				return 1
			}
			return -1
		}
		return cmp.Or(a.Due.Compare(b.Due), cmp.Compare(a.Key, b.Key))
	})
	return tasks, nil
}

type period struct{ Start, End time.Time }

type taskJSON struct {
	ID              string
	Meta            struct{ VersionID string }
	Identifier      []struct{ System, Value string }
	GroupIdentifier struct{ Value string }
	Code            concept
	Status          string
	StatusReason    concept
	BusinessStatus  concept
	Priority        string
	AuthoredOn      time.Time
	Restriction     struct{ Period period }
	ExecutionPeriod period
	Owner           struct{ Reference, Display string }
	Note            []struct{ Text string }
	Input           []struct {
		Type                 concept
		ValueQuantity        *struct{ Value json.Number }
		ValueCodeableConcept concept
	}
	Output []struct {
		ValueReference struct{ Reference string }
	}
}

// ReadTask reads a Task resource.
func ReadTask(body []byte) (Task, error) {
	var r taskJSON
	if err := json.Unmarshal(body, &r); err != nil {
		return Task{}, err
	}
	t := Task{
		ID: r.ID, VersionID: r.Meta.VersionID, GroupValue: r.GroupIdentifier.Value,
		Code: r.Code.local(), Name: r.Code.Text, Status: r.Status, Reason: r.StatusReason.Text,
		Priority: r.Priority, Lateness: r.BusinessStatus.local(), Authored: r.AuthoredOn,
		Start: r.Restriction.Period.Start, Due: r.Restriction.Period.End,
		Began: r.ExecutionPeriod.Start, Ended: r.ExecutionPeriod.End, Owner: r.Owner.Reference,
	}
	for _, i := range r.Identifier {
		if i.System == fhir.SystemTaskKey {
			_, key, _ := strings.Cut(i.Value, "/")
			t.Key = cmp.Or(key, i.Value)
		}
	}
	for _, n := range r.Note {
		t.Notes = append(t.Notes, n.Text)
	}
	for _, in := range r.Input {
		switch in.Type.local() {
		case string(fhir.CodePlannedVolume):
			t.Planned = in.ValueQuantity.Value.String()
		case string(fhir.CodeRequiredFinding):
			t.Required = append(t.Required, cmp.Or(in.ValueCodeableConcept.local(), in.ValueCodeableConcept.of(fhir.SystemLOINC)))
		}
	}
	for _, out := range r.Output {
		t.Outputs = append(t.Outputs, out.ValueReference.Reference)
	}
	return t, nil
}
