package site

import (
	"context"
	"encoding/json"
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"fhirsvc/internal/delivery/push/pushtest"
	"fhirsvc/internal/fhir/profiles"
	"fhirsvc/internal/fhir/validate"
	"fhirsvc/internal/sandbox/bedside"
)

// archive is an external FHIR server to which the site delivers. It knows the patients, and is
// in trouble as often as the endpoint.
type archive struct{ *pushtest.Server }

// newArchive starts it, and writes the list of destinations that names it.
func newArchive(t *testing.T, list string) (archive, error) {
	a := archive{pushtest.New(t, validate.New(profiles.Incoming()))}
	text := fmt.Sprintf(`{"destinations": [{"name": "archive", "base": %q, "timeout": "1s"}]}`, a.Base())
	return a, os.WriteFile(list, []byte(text), 0o600)
}

// begin forgets the last run. Nothing fails once calm says so.
func (a archive) begin(seed uint64, calm func() bool) {
	a.Forget()
	d := newDice(seed, "archive")
	troubles := []pushtest.Fault{
		{Drop: true}, {Late: true}, {Cut: true}, {Status: 503, RetryAfter: "1"}, {Status: 500}, {Status: 409}, {Status: 412}, {Delay: 2 * time.Second},
	}
	a.Fail(func(string) pushtest.Fault {
		if n := d.n(4 * len(troubles)); n < len(troubles) && !calm() {
			return troubles[n]
		}
		return pushtest.Fault{}
	})
}

// register makes the patient of a case known.
func (a archive) register(c bedside.Case) error {
	var event struct {
		Entry []struct{ Resource json.RawMessage }
	}
	if err := json.Unmarshal(c.Event(), &event); err != nil {
		return err
	}
	for _, e := range event.Entry {
		var r struct{ ResourceType string }
		if err := json.Unmarshal(e.Resource, &r); err == nil && r.ResourceType == "Patient" {
			a.Put(string(e.Resource))
			return nil
		}
	}
	return fmt.Errorf("the event of case %d has no Patient", c.Number)
}

// archived compares what the archive has with what is stored.
func (s *site) archived(ctx context.Context) string {
	var ours []json.RawMessage
	for _, kind := range pushtest.Delivered() {
		now, err := newClient(2*time.Second).all(ctx, s.replicas[0].url(), "/fhir/"+kind+"?_count=200")
		if err != nil {
			return kind + ": " + err.Error()
		}
		ours = append(ours, now...)
	}
	return s.archive.astray(ours)
}

// astray tells where it differs from what the service has.
func (a archive) astray(ours []json.RawMessage) string {
	differs, err := a.Differs(ours)
	if err != nil {
		return err.Error()
	}
	return differs
}

// delivered are those of the current versions that are delivered.
func (r *record) delivered() (list []json.RawMessage) {
	for at, body := range r.current {
		if kind, _, _ := strings.Cut(at, "/"); slices.Contains(pushtest.Delivered(), kind) {
			list = append(list, body)
		}
	}
	return list
}
