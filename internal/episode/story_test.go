package episode

import (
	"testing"
	"time"

	"github.com/google/fhir/go/fhirversion"
	"github.com/google/fhir/go/jsonformat"
	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir"
	"fhirsvc/internal/workflow"
)

// ward plays a nurse who does what is her turn, on time, and charts what she finds.
type ward struct {
	*bench
	bleedsAt int // at which release step the site bleeds; 0: never
	steps    int
	bled     bool
}

// task gives what is to be done now; nil when nothing is.
func (w *ward) task(core *workflow.Episode) *workflow.Task {
	for i := range core.Tasks {
		t := &core.Tasks[i]
		if t.Status.Turn() && !t.NotBefore.After(w.Now()) && (len(t.Lacks()) > 0 || len(t.Required) == 0) {
			return t
		}
	}
	return nil
}

// do charts what a Task still lacks, first the act and then the look; a Task that asks
// for no finding is completed.
func (w *ward) do(t *workflow.Task) {
	if len(t.Required) == 0 {
		w.complete(t.Key)
	}
	for _, code := range t.Lacks() {
		switch code {
		case workflow.AirRemoved:
			w.steps++
			w.mustObserve("band-air-removed", millilitres(t.Planned.String()))
		case workflow.AirAdded:
			w.mustObserve("band-air-added", millilitres(t.Planned.String()))
		case workflow.AirVolume:
			book := w.loaded(w.theEpisode()).core.Plan.Summary.Book
			w.mustObserve("band-air-volume", millilitres(book.Volume.String()))
		case workflow.Bleeding:
			w.look()
		case workflow.Patency:
			w.mustObserve("radial-patency-test", coded(fhir.SystemLocal, "patent"))
		case workflow.Hand:
			w.mustObserve("hand-check", coded(fhir.SystemSNOMED, "17621005"))
		case workflow.Haematoma:
			w.mustObserve("access-site-haematoma", coded(fhir.SystemSNOMED, "2667000"))
		case workflow.Band:
			answer := "on"
			if t.Key.Code == workflow.BandRemoval {
				answer = "off"
			}
			w.mustObserve("band-state", coded(fhir.SystemLocal, answer))
		case workflow.CompressionStart, workflow.Pulse, workflow.Condition, workflow.Pain, workflow.Pressure,
			workflow.Anticoagulant, workflow.OtherFinding:
			w.t.Fatalf("%s asks for %s", t.Key, code)
		}
		w.wait(time.Minute)
	}
}

func (w *ward) look() {
	if w.bleedsAt > 0 && w.steps == w.bleedsAt && !w.bled {
		w.bled = true
		w.mustObserve("access-site-bleeding", bleeding())
		return
	}
	w.mustObserve("access-site-bleeding", dry())
}

func (w *ward) complete(k workflow.TaskKey) {
	r, err := w.Store.Read(w.t.Context(), "Task", w.ids.task(w.theEpisode(), k))
	require.NoError(w.t, err)
	_, err = w.put(r, changed(w.t, r, `"status":"ready"`, `"status":"completed"`), "")
	require.NoError(w.t, err, issuesOf(err))
}

// readByOthers has every stored version read by the strict parser of
// github.com/google/fhir/go/jsonformat, a second opinion on what is R4; with -short the last.
func (w *ward) readByOthers() {
	u, err := jsonformat.NewUnmarshaller("UTC", fhirversion.R4)
	require.NoError(w.t, err)
	for _, kind := range []string{"Patient", "Procedure", "Observation", "CarePlan", "Task", "Flag", "DetectedIssue", "Communication", "Provenance"} {
		for _, r := range w.all(kind) {
			versions, err := w.Store.History(w.t.Context(), r.Type, r.ID)
			require.NoError(w.t, err)
			if testing.Short() {
				versions = versions[len(versions)-1:]
			}
			for _, v := range versions {
				_, err := u.UnmarshalR4(v.Body)
				require.NoError(w.t, err, "%s/%s version %d", v.Type, v.ID, v.Version)
			}
		}
	}
}

// Stories from the event to the end of the plan, with every resource valid on the way:
// an invalid one would be a fault of ours and end in quarantine.
func TestStoriesToTheEnd(t *testing.T) {
	for name, tt := range map[string]struct {
		code     string
		bleedsAt int
		slowest  time.Duration
	}{
		"smooth diagnostic":           {"33367005", 0, 8 * time.Hour},
		"smooth intervention":         {"415070008", 0, 10 * time.Hour},
		"bleeds at the third release": {"33367005", 3, 10 * time.Hour},
	} {
		t.Run(name, func(t *testing.T) {
			w := &ward{bench: newBench(t, nil), bleedsAt: tt.bleedsAt}
			e := newEvent()
			e.code = tt.code
			w.mustSend(e)
			for {
				core := w.loaded(w.theEpisode()).core
				if core.Plan.Status == workflow.PlanCompleted {
					break
				}
				require.Less(t, w.Now().Sub(sheathOut()), tt.slowest, "the plan does not end")
				if task := w.task(&core); task != nil {
					w.do(task)
					continue
				}
				w.wait(time.Minute)
			}
			require.Equal(t, tt.bleedsAt > 0, w.bled)
			require.Equal(t, len(w.tasks("restore-compression", "completed")) > 0, w.bled)
			require.GreaterOrEqual(t, len(w.tasks("release-step", "completed")), 4)
			require.Contains(t, string(w.all("CarePlan")[0].Body), `"status":"completed"`)
			kept, err := w.Store.Quarantined(t.Context())
			require.NoError(t, err)
			require.Empty(t, kept)
			w.mustReplay(w.theEpisode())
			w.readByOthers()
		})
	}
}
