package site

import (
	"flag"
	"regexp"
	"testing"

	"github.com/stretchr/testify/require"
)

var bug = flag.String("fault.bug", "", "a pattern of the bugs that TestPlantedBugs puts in; none if empty")

// planted is a bug that is put in on purpose: it is found, or the checker is blind to it.
type planted struct {
	name string
	setup
}

func plantedBugs() []planted {
	return []planted{
		{name: "an event is acknowledged before it is committed", setup: setup{kinds: "replica|database", edits: []edit{{
			"internal/events/handle.go", "	err := in.message(ctx, msg)\n",
			"	in.tell(in.log, d.Ack())\n	err := in.message(ctx, msg)\n",
		}}}},
		{name: "a change is marked as sent before it is", setup: setup{kinds: "broker|kill replica", edits: []edit{{
			"internal/delivery/relay.go", "	sent, publishErr := h.publish(ctx, messages)\n",
			`	early := make([]int64, len(rows))
	for i := range early {
		early[i] = rows[i].Seq
	}
	if err := h.outbox.MarkSent(ctx, h.held, early); err != nil {
		return 0, false, err
	}
	sent, publishErr := h.publish(ctx, messages)
`,
		}}}},
		{name: "a due time that was claimed by a dead replica is lost", setup: setup{kinds: "(kill|pause) replica|of replica", edits: []edit{{
			"internal/store/postgres/timer.go", "leased_until = clock_timestamp() + $3\n", "leased_until = clock_timestamp() + 1000 * $3::interval\n",
		}}}},
		{name: "the replica's own clock says what is due", setup: setup{kinds: "step clock of replica", edits: []edit{{
			"cmd/fhirsvc/serve.go", "clock: shared.Now, shared: shared,", "clock: stepped,",
		}, {
			"cmd/fhirsvc/serve.go", "NewSharedClock(ctx, st)\n", "NewSharedClock(ctx, st)\n	_ = shared\n",
		}}}},
		{name: "an acknowledged event is not on the broker's disk", setup: setup{kinds: "power of all", careless: true}},
	}
}

// TestPlantedBugs says after how many runs each bug is found. docs/reliability.md has the
// table.
func TestPlantedBugs(t *testing.T) {
	if *bug == "" {
		t.Skip("takes many minutes: -fault.bug names what to put in, such as . for all")
	}
	for _, p := range plantedBugs() {
		if !regexp.MustCompile(*bug).MatchString(p.name) {
			continue
		}
		t.Run(p.name, func(t *testing.T) { find(t, p) })
	}
}

func find(t *testing.T, p planted) {
	t.Helper()
	const most = 60
	s := open(t, p.setup)
	for seed := uint64(1); seed <= most; seed++ {
		out, err := s.run(t.Context(), crowded+seed)
		require.NoError(t, err, out)
		if len(out.breaches) > 0 {
			t.Logf("found by run %d: %s\n%s", seed, out, out.breaches[0])
			return
		}
	}
	t.Fatalf("not found by %d runs", most)
}
