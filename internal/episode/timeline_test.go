package episode

import (
	"crypto/sha1"
	"encoding/base64"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/tree"
	"fhirsvc/internal/workflow"
)

// kept gives the one picture that is kept, parsed, with its SVG; its size and hash are held
// to the bytes (R4 Attachment: size in bytes, hash the SHA-1; hl7.org/fhir/R4/datatypes.html#Attachment).
func (b *bench) kept() (*tree.Node, string) {
	b.t.Helper()
	all := b.all("DocumentReference")
	require.Len(b.t, all, 1)
	doc, issues := tree.Parse(all[0].Body)
	require.Empty(b.t, issues)
	a := doc.Root.Get("content").At(0).Get("attachment")
	svg, err := base64.StdEncoding.DecodeString(a.Str("data"))
	require.NoError(b.t, err)
	sum := sha1.Sum(svg)
	require.Equal(b.t, base64.StdEncoding.EncodeToString(sum[:]), a.Str("hash"))
	require.Equal(b.t, strconv.Itoa(len(svg)), a.Get("size").Text)
	return doc.Root, string(svg)
}

// stopped is a plan that was stopped by order after one look: the shortest way to an end.
func stopped(t *testing.T) (*bench, EntryResult) {
	b := newBench(t, nil)
	b.mustSend(newEvent())
	b.wait(5 * time.Minute)
	look := b.mustObserve("access-site-bleeding", dry())
	require.Empty(t, b.all("DocumentReference"), "a plan that runs has no picture kept")
	_, err := b.chartOne(Entry{Method: "POST", Type: "ServiceRequest", Body: order("stop-plan", "")})
	require.NoError(t, err, issuesOf(err))
	return b, look
}

// TestThePictureIsKeptInTheCommitOfTheEnd: one Provenance names both the plan's last version
// and the picture, which is told as a change like all else.
func TestThePictureIsKeptInTheCommitOfTheEnd(t *testing.T) {
	b, _ := stopped(t)
	doc, svg := b.kept()
	plan := b.all("CarePlan")[0]
	require.Contains(t, string(plan.Body), `"status":"revoked"`)
	require.Equal(t, "current", doc.Str("status"))
	require.Contains(t, svg, "Plan stopped by order.")
	require.Contains(t, svg, "DRAFT, not approved")
	require.Equal(t, "CarePlan/"+plan.ID, doc.Get("context").Get("related").At(0).Str("reference"))
	together := 0
	for _, p := range b.all("Provenance") {
		if strings.Contains(string(p.Body), versioned(plan)) && strings.Contains(string(p.Body), "DocumentReference/"+doc.Str("id")+"/_history/1") {
			together++
		}
	}
	require.Equal(t, 1, together)
	b.mustReplay(b.theEpisode())
}

// TestALateCorrectionMakesAnotherPicture: and the same again none.
func TestALateCorrectionMakesAnotherPicture(t *testing.T) {
	b, look := stopped(t)
	_, before := b.kept()
	require.NotContains(t, before, "actively bleeding")
	body := changed(t, look.Resource, "122033", "122035")
	got, err := b.put(look.Resource, body, "")
	require.NoError(t, err, issuesOf(err))
	doc, after := b.kept()
	require.Equal(t, "2", doc.Get("meta").Str("versionId"))
	require.Contains(t, after, "actively bleeding")

	_, err = b.put(got.Resource, got.Resource.Body, "")
	require.NoError(t, err, issuesOf(err))
	doc, _ = b.kept()
	require.Equal(t, "2", doc.Get("meta").Str("versionId"), "nothing in the picture has changed")
	first, err := b.Store.ReadVersion(t.Context(), "DocumentReference", doc.Str("id"), 1)
	require.NoError(t, err)
	require.NotContains(t, string(first.Body), "actively bleeding", "the first stays as it was")
}

// TestThePictureOfAPlanThatRunsAgain is superseded until the plan ends anew.
func TestThePictureOfAPlanThatRunsAgain(t *testing.T) {
	b := newBench(t, nil)
	e := newEvent()
	b.mustSend(e)
	e.message, e.status, e.timestamp = "m2", "entered-in-error", e.timestamp.Add(time.Minute)
	b.mustSend(e)
	doc, svg := b.kept()
	require.Equal(t, "current", doc.Str("status"))
	require.Contains(t, svg, "Plan revoked by the event.")
	e.message, e.status, e.timestamp = "m3", "completed", e.timestamp.Add(time.Minute)
	b.mustSend(e)
	require.Equal(t, workflow.PlanActive, b.loaded(b.theEpisode()).core.Plan.Status)
	doc, _ = b.kept()
	require.Equal(t, "superseded", doc.Str("status"))
	version := doc.Get("meta").Str("versionId")
	b.mustObserve("access-site-bleeding", dry())
	doc, _ = b.kept()
	require.Equal(t, version, doc.Get("meta").Str("versionId"), "a plan that runs is drawn when it is asked for")
	_, err := b.chartOne(Entry{Method: "POST", Type: "ServiceRequest", Body: order("stop-plan", "")})
	require.NoError(t, err, issuesOf(err))
	doc, svg = b.kept()
	require.Equal(t, "current", doc.Str("status"))
	require.Contains(t, svg, "Plan stopped by order.")
	b.mustReplay(b.theEpisode())
}

// TestTimelineOfNow: drawn from the state as it is stored, with what is planned; nothing is
// stored, and another unit's plan is not there.
func TestTimelineOfNow(t *testing.T) {
	b := newBench(t, nil)
	b.mustSend(newEvent())
	b.mustObserve("access-site-bleeding", dry())
	plan := b.ids.plan(b.theEpisode())
	svg, of, err := b.Timeline(t.Context(), AllUnits(), plan)
	require.NoError(t, err)
	require.Equal(t, b.all("CarePlan")[0].Version, of.Version)
	for _, words := range []string{"Plan active.", ">now<", "Planned: release step 1", "CarePlan/" + plan, "site dry"} {
		require.Contains(t, string(svg), words)
	}
	for _, private := range []string{"Okonedo", "4711", "Abiola"} {
		require.NotContains(t, string(svg), private)
	}
	require.Empty(t, b.all("DocumentReference"))
	_, _, err = b.Timeline(t.Context(), UnitsOf("https://lindenbrook.example/units|other"), plan)
	require.Equal(t, outcome.CodeNotFound, outcome.KindOf(err))
}
