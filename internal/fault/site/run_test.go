package site

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"math/rand/v2"
	"net/http"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats.go/jetstream"
	"github.com/stretchr/testify/require"
)

var (
	runs     = flag.Int("fault.runs", 2, "how many runs TestFaults plays")
	first    = flag.Uint64("fault.seed", 0, "the seed of the first run; those after it count on from it")
	limit    = flag.Duration("fault.for", 0, "begin no run after so long; 0 is without limit")
	only     = flag.String("fault.kinds", "", "a pattern of the kinds of faults to draw from; another one makes another run of a seed")
	goOn     = flag.Bool("fault.on", false, "go on after a run that was not sound")
	recordTo = flag.String("fault.record", "", "a file to which a line for each run is added")
)

// result is what became of a run.
type result struct {
	seed     uint64
	faults   []fault
	inputs   int // acknowledged
	attempts int
	versions int // stored, of all resources
	took     time.Duration
	breaches []string
	logs     string // what the processes complained of
}

// run plays one run: people and faults at once, then peace, then the checker.
func (s *site) run(ctx context.Context, seed uint64) (result, error) {
	began := time.Now()
	out := result{seed: seed, faults: drawFaults(seed, s.can, s.kinds)}
	_, due := crowd(seed, 0, began)
	if due > 0 {
		out.faults = append(out.faults, aimed(seed, due))
	}
	if err := s.begin(ctx, seed); err != nil {
		return out, err
	}
	if err := s.subscribe(ctx); err != nil {
		return out, err
	}
	watching, rest := context.WithCancel(ctx)
	defer rest()
	for _, r := range s.replicas {
		go r.watch(watching)
	}
	p := &people{site: s, seed: seed, client: newClient(2 * time.Second), history: newHistory()}
	now := time.Now()
	var stories []story
	for n := range 2 + newDice(seed, "ward").n(3) {
		stories = append(stories, tell(seed, n, now))
	}
	more, _ := crowd(seed, len(stories), now)
	stories = append(stories, more...)
	for _, story := range stories {
		if err := s.archive.register(story.kase); err != nil {
			return out, err
		}
	}
	patience, cancel := context.WithTimeout(ctx, 75*time.Second)
	defer cancel()
	played := make(chan struct{})
	go func() {
		defer close(played)
		p.play(patience, stories)
	}()
	err := happen(ctx, s, out.faults)
	s.endpoint.calm.Store(true)
	if err == nil {
		err = s.ready(45 * time.Second)
	}
	<-played
	if err != nil {
		return out, err
	}
	left := ""
	const peace = 90 * time.Second // an external server that was in trouble is asked again after up to a minute
	if eventually(peace, "", func() bool { left = s.settled(ctx); return left == "" }) != nil {
		out.breaches = append(out.breaches, fmt.Sprintf("peace for %s, and %s", peace, left))
	}
	rest()
	r, err := s.read(ctx)
	switch {
	case errors.Is(err, jetstream.ErrStreamNotFound):
		out.breaches = append(out.breaches, "a stream is gone: "+err.Error())
		r = &record{}
	case err != nil:
		return out, err
	default:
		r.turned = turned(out.faults)
		out.breaches = append(out.breaches, check(stories, p.history, r)...)
	}
	out.inputs, out.attempts = p.history.inputs, p.history.attempts
	for _, versions := range r.versions {
		out.versions += len(versions)
	}
	if len(out.breaches) > 0 {
		out.logs = s.logs()
	}
	if err := s.end(ctx); err != nil {
		out.breaches = append(out.breaches, "at the end: "+err.Error())
	}
	out.took = time.Since(began)
	return out, nil
}

// subscribe asks for every Task to be told to the endpoint.
func (s *site) subscribe(ctx context.Context) error {
	const timeout = `"extension":[{"url":"http://hl7.org/fhir/uv/subscriptions-backport/StructureDefinition/backport-timeout","valueUnsignedInt":1}]`
	body := fmt.Sprintf(`{"resourceType":"Subscription","status":"requested","reason":"a test","criteria":"Task",
"channel":{"type":"rest-hook","endpoint":%q,"payload":"application/fhir+json",%s}}`, s.endpoint.URL+"/tasks", timeout)
	c, base := newClient(10*time.Second), s.replicas[0].url()
	status, answer, err := c.do(ctx, http.MethodPost, base+"/fhir/Subscription", []byte(body), nil)
	if err != nil || status != http.StatusCreated {
		return fmt.Errorf("create a Subscription: HTTP %d: %s: %w", status, answer, err)
	}
	return eventually(15*time.Second, "the Subscription is active", func() bool {
		var sub struct{ Status string }
		return c.get(ctx, base+"/fhir/Subscription/"+idOf(answer), &sub) == nil && sub.Status == "active"
	})
}

func (r result) String() string {
	return fmt.Sprintf("seed %d: %v: %d inputs in %d attempts, %d versions, %.1f s", r.seed, r.faults, r.inputs, r.attempts, r.versions, r.took.Seconds())
}

// setup is how a site differs from the one that is sound.
type setup struct {
	edits    []edit
	kinds    string // of faults, a pattern; "" for all
	careless bool   // brokers acknowledge before they have synced, as they do unless told otherwise
}

// open makes a site of this build, which ends with the test.
func open(t *testing.T, how setup) *site {
	t.Helper()
	require.NoError(t, ownProc())
	base := folder(t)
	binary, err := build(base, "fhirsvc", how.edits...)
	require.NoError(t, err)
	s := &site{base: base, binary: binary, source: commit(), kinds: regexp.MustCompile(how.kinds)}
	t.Cleanup(s.close)
	why := noDisks(base)
	if why != nil {
		t.Logf("no faults of disks: %v", why)
	}
	if turner() == "" {
		t.Log("no steps of the database's clock: libfaketime is not installed")
	}
	s.readers = base + "/destinations.json"
	s.archive, err = newArchive(t, s.readers)
	require.NoError(t, err)
	require.NoError(t, s.setUp(why == nil, how.careless))
	return s
}

// Whatever fails, what was acknowledged is there once, the rules hold that can be seen from
// outside, every change is told in order, and no due time is missed.
func TestFaults(t *testing.T) {
	s := open(t, setup{kinds: *only})
	seed := *first
	if seed == 0 {
		seed = crowded + rand.Uint64N(1<<31)
	}
	most := *runs
	if testing.Short() {
		most = min(most, 1)
	}
	began := time.Now()
	for n := range most {
		if *limit > 0 && time.Since(began) > *limit {
			t.Logf("%d runs in %s", n, time.Since(began).Round(time.Second))
			break
		}
		out, err := s.run(t.Context(), seed+uint64(n))
		require.NoError(t, errors.Join(err, out.keep(s.source, *recordTo, err)), out)
		if len(out.breaches) == 0 {
			t.Log(out)
			continue
		}
		t.Errorf("%s\ntry it again with -fault.seed %d:\n%s\n\n%s", out, out.seed, strings.Join(out.breaches, "\n"), out.logs)
		if !*goOn {
			break
		}
	}
}
