package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"maps"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/google/fhir/go/fhirversion"
	"github.com/google/fhir/go/jsonformat"
	"github.com/stretchr/testify/require"
)

// resourceTypes are those of which something may be stored.
func resourceTypes() []string {
	return []string{
		"Patient", "Encounter", "Practitioner", "Procedure", "CarePlan", "Task", "Observation", "Flag", "DetectedIssue", "DocumentReference",
		"Communication", "Provenance", "ServiceRequest", "Device", "MedicationAdministration",
	}
}

// wantSound looks at everything that is stored and everything that was sent:
//   - every version of every resource is read by a strict parser of others,
//   - nothing has an empty value, array or null in it (R4 json.html),
//   - versions count from 1 without a gap,
//   - each version was told once on the change stream, those of an episode in order,
//   - there are as many plans as there should be.
func (w *ward) wantSound(plans int) {
	w.Helper()
	stored := w.stored(resourceTypes()...)
	for _, body := range stored {
		w.wantStrict(body)
	}
	require.Len(w, w.ids("CarePlan"), plans)
	w.wantToldOnce(stored)
}

// stored reads every version of every resource of these types, by "type/id/version".
func (w *ward) stored(kinds ...string) map[string][]byte {
	w.Helper()
	stored := map[string][]byte{}
	for _, kind := range kinds {
		for _, id := range w.ids(kind) {
			for version, body := range w.history(kind, id) {
				stored[fmt.Sprintf("%s/%s/%d", kind, id, version+1)] = body
			}
		}
	}
	return stored
}

// keep leaves what is stored to `make conformance`, which has it judged by validators of
// others: a line a version, in a file of the folder that FHIRSVC_TEST_KEEP names.
func (w *ward) keep() {
	w.Helper()
	dir := os.Getenv("FHIRSVC_TEST_KEEP")
	if dir == "" {
		return
	}
	stored := w.stored(append(resourceTypes(), "AuditEvent")...)
	var lines bytes.Buffer
	for _, name := range slices.Sorted(maps.Keys(stored)) {
		require.NoError(w, json.Compact(&lines, stored[name]))
		lines.WriteByte('\n')
	}
	name := strings.ReplaceAll(w.Name(), "/", "-") + ".ndjson"
	require.NoError(w, os.WriteFile(filepath.Join(dir, name), lines.Bytes(), 0o644))
}

// ids gives the ids of all resources of a type.
func (w *ward) ids(kind string) []string {
	w.Helper()
	found, err := w.client.Search(w.Context(), kind+"?_count=100")
	require.NoError(w, err)
	var ids []string
	for _, body := range found {
		var r struct{ ID string }
		require.NoError(w, json.Unmarshal(body, &r))
		ids = append(ids, r.ID)
	}
	return ids
}

// history gives the bodies of all versions, oldest first.
func (w *ward) history(kind, id string) [][]byte {
	w.Helper()
	a, err := w.client.Do(w.Context(), http.MethodGet, "/fhir/"+kind+"/"+id+"/_history", nil, nil)
	require.NoError(w, err)
	require.Equal(w, http.StatusOK, a.Status, string(a.Body))
	var bundle struct {
		Entry []struct{ Resource json.RawMessage }
	}
	require.NoError(w, json.Unmarshal(a.Body, &bundle))
	var bodies [][]byte
	for _, e := range slices.Backward(bundle.Entry) {
		bodies = append(bodies, e.Resource)
		var r struct{ Meta struct{ VersionID string } }
		require.NoError(w, json.Unmarshal(e.Resource, &r))
		require.Equal(w, strconv.Itoa(len(bodies)), r.Meta.VersionID, "%s/%s", kind, id)
	}
	return bodies
}

// wantStrict reads a resource with the strict R4 parser of github.com/google/fhir.
func (w *ward) wantStrict(body []byte) {
	w.Helper()
	parser, err := jsonformat.NewUnmarshaller("UTC", fhirversion.R4)
	require.NoError(w, err)
	_, err = parser.Unmarshal(body)
	require.NoError(w, err, string(body))
	var any any
	d := json.NewDecoder(bytes.NewReader(body))
	d.UseNumber()
	require.NoError(w, d.Decode(&any))
	require.Empty(w, hollow("", any), string(body))
}

// hollow gives the paths of empty objects, arrays, strings and nulls. R4 json.html:
// "Objects are never empty", and null is only a placeholder within arrays of primitives.
func hollow(path string, v any) []string {
	var faults []string
	switch v := v.(type) {
	case nil:
		return []string{path + " is null"}
	case string:
		if v == "" {
			return []string{path + " is empty"}
		}
	case []any:
		if len(v) == 0 {
			return []string{path + " is empty"}
		}
		for i, x := range v {
			faults = append(faults, hollow(fmt.Sprintf("%s[%d]", path, i), x)...)
		}
	case map[string]any:
		if len(v) == 0 {
			return []string{path + " is empty"}
		}
		for k, x := range v {
			faults = append(faults, hollow(path+"."+k, x)...)
		}
	}
	return faults
}

// change is a message of the change stream.
type change struct {
	Type, ID, VersionID, LastUpdated, Episode string
	Seq                                       int
}

// wantToldOnce compares the change stream with what is stored. A relay that was killed
// with a lease in hand makes the next one wait for its end.
func (w *ward) wantToldOnce(stored map[string][]byte) {
	w.Helper()
	require.Eventually(w, func() bool { return w.lastSeq("FHIRSVC_CHANGES") >= uint64(len(stored)) },
		30*time.Second, 50*time.Millisecond, "not everything that is stored was told")
	told := map[string]bool{}
	last := map[string]int{}
	for _, m := range w.stream("FHIRSVC_CHANGES") {
		var c change
		require.NoError(w, json.Unmarshal(m, &c))
		key := c.Type + "/" + c.ID + "/" + c.VersionID
		require.False(w, told[key], "%s was told twice", key)
		require.Contains(w, stored, key, "told, but not stored")
		told[key] = true
		if c.Episode != "" {
			require.GreaterOrEqual(w, c.Seq, last[c.Episode], "%s came after a later input", key)
			last[c.Episode] = c.Seq
		}
	}
	require.Len(w, told, len(stored))
}

func (w *ward) lastSeq(stream string) uint64 {
	w.Helper()
	s, err := w.client.JetStream().Stream(w.Context(), stream)
	require.NoError(w, err)
	return s.CachedInfo().State.LastSeq
}

// stream gives the messages of a stream.
func (w *ward) stream(name string) [][]byte {
	w.Helper()
	s, err := w.client.JetStream().Stream(w.Context(), name)
	require.NoError(w, err)
	var bodies [][]byte
	for seq := uint64(1); seq <= s.CachedInfo().State.LastSeq; seq++ {
		m, err := s.GetMsg(w.Context(), seq)
		require.NoError(w, err)
		bodies = append(bodies, m.Data)
	}
	return bodies
}
