package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"net/http"
	"regexp"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/anishathalye/porcupine"
	"github.com/stretchr/testify/require"

	"fhirsvc/internal/sandbox/bedside"
)

// What clients do at once is held against a model that does one thing after another
// (Herlihy and Wing, "Linearizability", ACM TOPLAS 1990): if no order of their requests,
// each somewhere between its start and its answer, explains the answers, the history is
// none of a correct service. Porcupine searches for that order.

// request is what a client asked, reply what it was told. Version 0 and id "" are none.
type request struct {
	key   string // of the resource, or of the identifier
	claim int    // the version that a claim goes by; 0 reads
	made  bool   // a conditional create; else a search for it
}

type reply struct {
	status  int
	version int
	id      string
	body    []byte // as it was read, without a note
}

// byKey splits a history: what is about different resources is independent.
func byKey(history []porcupine.Operation) [][]porcupine.Operation {
	split := map[string][]porcupine.Operation{}
	for _, o := range history {
		key := o.Input.(request).key
		split[key] = append(split[key], o)
	}
	parts := make([][]porcupine.Operation, 0, len(split))
	for _, part := range split {
		parts = append(parts, part)
	}
	return parts
}

// claims is a Task whose versions count up: a claim that goes by the current one makes
// the next, any other is refused and changes nothing.
func claims(first int) porcupine.Model {
	return porcupine.Model{
		Partition: byKey,
		Init:      func() any { return first },
		Step: func(state, input, output any) (bool, any) {
			now, in, out := state.(int), input.(request), output.(reply)
			switch {
			case in.claim == 0:
				return out.version == now, now
			case out.status == http.StatusOK:
				return in.claim == now && out.version == now+1, now + 1
			}
			return out.status == http.StatusPreconditionFailed && in.claim != now, now
		},
	}
}

// creates is a place for one resource: the first create makes it, the others get it.
func creates() porcupine.Model {
	return porcupine.Model{
		Partition: byKey,
		Init:      func() any { return "" },
		Step: func(state, input, output any) (bool, any) {
			now, in, out := state.(string), input.(request), output.(reply)
			if !in.made {
				return out.id == now, now
			}
			if now == "" {
				return out.status == http.StatusCreated && out.id != "", out.id
			}
			return out.status == http.StatusOK && out.id == now, now
		},
	}
}

// The models refuse what they should: a claim that was lost, two that won, a stale read,
// two resources for one identifier, and one that is not found after it was made.
func TestModelsOfClients(t *testing.T) {
	one := func(call, end int64, in request, out reply) porcupine.Operation {
		return porcupine.Operation{Input: in, Call: call, Output: out, Return: end}
	}
	won := func(version int) reply { return reply{status: http.StatusOK, version: version} }
	lost := reply{status: http.StatusPreconditionFailed}
	for name, tt := range map[string]struct {
		model   porcupine.Model
		history []porcupine.Operation
		want    bool
	}{
		"one wins, one loses":    {claims(1), []porcupine.Operation{one(0, 9, request{claim: 1}, won(2)), one(1, 8, request{claim: 1}, lost)}, true},
		"both win":               {claims(1), []porcupine.Operation{one(0, 9, request{claim: 1}, won(2)), one(1, 8, request{claim: 1}, won(2))}, false},
		"both lose":              {claims(1), []porcupine.Operation{one(0, 9, request{claim: 1}, lost), one(1, 8, request{claim: 1}, lost)}, false},
		"read while it is made":  {claims(1), []porcupine.Operation{one(0, 9, request{claim: 1}, won(2)), one(1, 2, request{}, reply{version: 2}), one(3, 4, request{}, reply{version: 2})}, true},
		"read goes back":         {claims(1), []porcupine.Operation{one(0, 9, request{claim: 1}, won(2)), one(1, 2, request{}, reply{version: 2}), one(3, 4, request{}, reply{version: 1})}, false},
		"one made":               {creates(), []porcupine.Operation{one(0, 9, request{made: true}, reply{status: 201, id: "a"}), one(1, 8, request{made: true}, reply{status: 200, id: "a"})}, true},
		"two made":               {creates(), []porcupine.Operation{one(0, 9, request{made: true}, reply{status: 201, id: "a"}), one(1, 8, request{made: true}, reply{status: 201, id: "b"})}, false},
		"made and not found":     {creates(), []porcupine.Operation{one(0, 1, request{made: true}, reply{status: 201, id: "a"}), one(2, 3, request{}, reply{})}, false},
		"told and not yet there": {creates(), []porcupine.Operation{one(0, 9, request{made: true}, reply{status: 201, id: "a"}), one(1, 2, request{made: true}, reply{status: 200, id: "a"}), one(3, 4, request{}, reply{})}, false},
	} {
		t.Run(name, func(t *testing.T) {
			require.Equal(t, tt.want, porcupine.CheckOperations(tt.model, tt.history))
		})
	}
}

// history is what clients did, taken down while they do it.
type history struct {
	sync.Mutex
	began time.Time
	list  []porcupine.Operation
}

func (h *history) record(client int, in request, ask func() reply) reply {
	call := time.Since(h.began)
	out := ask()
	end := time.Since(h.began)
	h.Lock()
	defer h.Unlock()
	h.list = append(h.list, porcupine.Operation{ClientId: client, Input: in, Call: int64(call), Output: out, Return: int64(end)})
	return out
}

// together runs the clients at once, each a number of times.
func together(clients, times int, do func(client, n int)) {
	var all sync.WaitGroup
	for client := range clients {
		all.Go(func() {
			for n := range times {
				do(client, n)
			}
		})
	}
	all.Wait()
}

// Six clients of two replicas read and claim the same Tasks, and create the same findings.
func TestClientsSeeOneOrder(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	s.migrate(t)
	replicas := []*ward{s.serve(t), s.serve(t)}
	first := replicas[0]
	event := bedside.NewCase(400, "diagnostic", time.Now().UTC().Truncate(time.Millisecond))
	a := first.processMessage(event.Event())
	require.Equal(t, http.StatusOK, a.Status, string(a.Body))
	first.find(event)
	seen := create(first, first, "corrected")
	require.Equal(t, http.StatusCreated, seen.status)
	places := []string{"Task/" + first.task("patient-teaching/1").ID, "Task/" + first.task("patency-check/arrival/1").ID, "Observation/" + seen.id}
	const clients, times = 6, 30

	h := &history{began: time.Now()}
	var won, lost atomic.Int64
	together(clients, times, func(client, n int) {
		w, place := replicas[client%2], places[n%len(places)]
		seen := h.record(client, request{key: place}, func() reply { return current(w, place) })
		out := h.record(client, request{key: place, claim: seen.version}, func() reply { return alter(w, place, seen, fmt.Sprintf("Nurse %d-%d", client, n)) })
		if out.status == http.StatusOK {
			won.Add(1)
		} else {
			lost.Add(1)
		}
	})
	require.True(t, porcupine.CheckOperations(claims(1), h.list), "no order of the requests explains the answers")
	require.NotZero(t, won.Load())
	require.NotZero(t, lost.Load(), "nobody was in anybody's way: this shows nothing")

	h = &history{began: time.Now()}
	together(clients, times, func(client, n int) {
		w, key := replicas[client%2], fmt.Sprintf("entry-%d", n)
		if client == 5 {
			h.record(client, request{key: key}, func() reply { return made(w, key) })
			return
		}
		h.record(client, request{key: key, made: true}, func() reply { return create(w, first, key) })
	})
	require.True(t, porcupine.CheckOperations(creates(), h.list), "no order of the requests explains the answers")
	first.wantSound(1)
	for _, w := range replicas {
		w.process.stop(t)
	}
}

func current(w *ward, place string) reply {
	a, err := w.client.Do(w.Context(), http.MethodGet, "/fhir/"+place, nil, nil)
	return read(w, a, err)
}

// alter claims a Task, or corrects an Observation, if what was seen is still current.
func alter(w *ward, place string, seen reply, by string) reply {
	header := http.Header{"Content-Type": {"application/json-patch+json"}, "If-Match": {fmt.Sprintf(`W/"%d"`, seen.version)}}
	method, body := http.MethodPatch, fmt.Appendf(nil, `[{"op":"add","path":"/owner","value":{"display":%q}}]`, by)
	if strings.HasPrefix(place, "Observation/") {
		header.Set("Content-Type", "application/fhir+json")
		method, body = http.MethodPut, bytes.Replace(seen.body, []byte(`"status":`), fmt.Appendf(nil, `"note":[{"text":%q}],"status":`, by), 1)
	}
	a, err := w.client.Do(w.Context(), method, "/fhir/"+place, body, header)
	return read(w, a, err)
}

const entries = "https://screen.hospital.example/entry"

func made(w *ward, key string) reply {
	found, err := w.client.Search(w.Context(), "Observation?identifier="+entries+"|"+key)
	if err != nil || len(found) > 1 {
		w.Errorf("search for %s: %d found, %v", key, len(found), err)
		return reply{}
	}
	if len(found) == 0 {
		return reply{}
	}
	return read(w, bedside.Answer{Body: found[0]}, nil)
}

// create charts a finding unless one with its identifier is there.
func create(w, plan *ward, key string) reply {
	f := bedside.Finding{Code: "access-site-bleeding", Answer: "haemostasis", At: time.Now(), By: bedside.Nurse(), Patient: plan.patient, PartOf: plan.procedure, Side: "right", ID: key}
	header := http.Header{"Content-Type": {"application/fhir+json"}, "If-None-Exist": {"identifier=" + entries + "|" + key}}
	a, err := w.client.Do(w.Context(), http.MethodPost, "/fhir/Observation", f.Observation(), header)
	return read(w, a, err)
}

// notes finds what corrections have left, so that the next can leave its own.
var notes = regexp.MustCompile(`"note":\[[^]]*\],`)

func read(w *ward, a bedside.Answer, err error) reply {
	if err != nil {
		w.Errorf("%v", err)
		return reply{}
	}
	var r struct {
		ID   string
		Meta struct{ VersionID string }
	}
	if err := json.Unmarshal(a.Body, &r); err != nil {
		w.Errorf("%v: %s", err, a.Body)
	}
	out := reply{status: a.Status, id: r.ID, body: notes.ReplaceAll(a.Body, nil)}
	_, _ = fmt.Sscanf(r.Meta.VersionID, "%d", &out.version)
	return out
}
