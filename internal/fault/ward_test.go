package fault

import (
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"fhirsvc/api"
	"fhirsvc/internal/delivery"
	"fhirsvc/internal/episode"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/profiles"
	"fhirsvc/internal/fhir/search"
	"fhirsvc/internal/fhir/validate"
	"fhirsvc/internal/sandbox/bedside"
	"fhirsvc/internal/store"
	"fhirsvc/internal/store/storetest"
)

// The validators are those of the service, made once.
var (
	incoming = sync.OnceValue(func() *validate.Validator { return validate.New(profiles.Incoming()) })
	outgoing = sync.OnceValue(func() *validate.Validator { return validate.New(profiles.Outgoing()) })
)

// size is how much of a ward is played.
type size struct {
	cases, nurses int           // nurses of a case
	span          time.Duration // for which they chart
	ended         time.Duration // before the start: when the procedures did
	pace          time.Duration // between two entries of a nurse, at most
	wear          time.Duration // between two deaths of a replica, at most
}

// A shift goes past the first release of a plan. A moment is cut out of one, so that a
// hundred thousand can be played: few people, many faults, and due times at once.
func shift(d *dice) size {
	return size{cases: 1 + d.n(3), nurses: 2, span: 70 * time.Minute, pace: 20 * time.Minute, wear: 30 * time.Minute}
}

// fallsDue are the minutes after a procedure at which, on a plan of which nobody charted anything,
// something falls due: the first release, an alarm, a check that is late, the end.
var fallsDue = []time.Duration{60, 65, 85, 100, 180, 240, 300}

func moment(d *dice) size {
	due := fallsDue[d.n(len(fallsDue))] * time.Minute
	return size{
		cases: 1, nurses: 1 + d.n(2), span: time.Minute, ended: due - time.Duration(d.n(60))*time.Second,
		pace: time.Minute, wear: 90 * time.Second,
	}
}

// installed is what a first replica finds to be there.
var installed = sync.OnceValue(func() *storetest.Memory {
	m := storetest.NewMemory()
	if _, err := serviceOn(context.Background(), m); err != nil {
		panic(err)
	}
	return m
})

// release is that of all replicas, with the protocol of all procedures here; to read it takes
// as long as to chart.
var release = sync.OnceValue(func() *episode.Release {
	var protocols [][]byte
	for name, body := range api.Protocols() {
		if strings.Contains(name, "diagnostic") {
			protocols = append(protocols, body)
		}
	}
	r, err := episode.NewRelease(protocols, nil, true)
	if err != nil {
		panic(err)
	}
	return r
})

func serviceOn(ctx context.Context, st store.Store) (*episode.Service, error) {
	return episode.New(ctx, episode.Options{
		Store: st, Incoming: incoming(), Outgoing: outgoing(), Log: slog.New(slog.DiscardHandler), Release: release(),
		Endpoint: "https://fhirsvc.example/fhir", Software: "simulated", Clock: time.Now,
	})
}

// ward is two replicas, a store, a broker, senders and nurses.
type ward struct {
	size
	dice     *dice
	memory   *storetest.Memory
	broker   *broker
	calm     atomic.Bool
	planted  planted
	mu       sync.Mutex
	replicas []*replica
	charted  map[string]string // identifier of an entry that was acknowledged, and its Observation
	refused  []string          // answers that no client should get
	events   int               // that were acknowledged, of different procedures
	over     time.Time         // when the timers were stopped
}

// replica is one process.
type replica struct {
	link    *link
	service *episode.Service
	stop    context.CancelFunc
	rest    context.CancelFunc // ends the timers alone
	done    sync.WaitGroup
}

func newWard(seed uint64, draw func(*dice) size, p planted) *ward {
	d := newDice(seed)
	w := &ward{size: draw(d), dice: d, memory: installed().Clone(), planted: p, charted: map[string]string{}}
	w.broker = &broker{dice: d, calm: &w.calm, planted: p}
	return w
}

// start runs a replica, as often as it takes: at its start the store may be away.
func (w *ward) start() *replica {
	for {
		r := &replica{link: &link{Store: w.memory, dice: w.dice, calm: &w.calm, planted: w.planted}}
		ctx, cancel := context.WithCancel(context.Background())
		r.stop = cancel
		awake, rest := context.WithCancel(ctx)
		r.rest = rest
		relay := delivery.NewRelay(delivery.Options{Outbox: r.link, Publisher: w.broker, Log: slog.New(slog.DiscardHandler)})
		service, err := serviceOn(ctx, r.link)
		if err != nil {
			cancel()
			w.dice.nap(context.Background(), time.Second)
			continue
		}
		r.service = service
		timers := episode.NewTimers(service, nil)
		r.done.Go(func() { relay.Run(ctx) })
		r.done.Go(func() { timers.Run(awake) })
		return r
	}
}

// kill ends a replica between two instructions: nothing of it reaches the store any more.
func (r *replica) kill() {
	r.link.dead.Store(true)
	r.stop()
	r.done.Wait()
}

// any gives a living replica.
func (w *ward) any() *replica {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.replicas[w.dice.n(len(w.replicas))]
}

// reaper kills replicas now and then and starts others in their place.
func (w *ward) reaper(ctx context.Context) {
	for ctx.Err() == nil {
		w.dice.nap(ctx, w.wear)
		w.mu.Lock()
		i := w.dice.n(len(w.replicas))
		victim := w.replicas[i]
		w.mu.Unlock()
		if ctx.Err() != nil {
			return
		}
		victim.kill()
		next := w.start()
		w.mu.Lock()
		w.replicas[i] = next
		w.mu.Unlock()
	}
}

// again does it until it is acknowledged or refused for good, on any replica. Faults pass:
// what has not got through after two minutes never will.
func (w *ward) again(do func(ctx context.Context, r *replica) error) error {
	for over := time.Now().Add(2 * time.Minute); ; {
		ctx, cancel := context.WithTimeout(context.Background(), time.Second)
		err := do(ctx, w.any())
		cancel()
		if time.Now().After(over) {
			return err
		}
		switch outcome.KindOf(err) { //nolint:exhaustive // the others are answers
		case outcome.CodeNoStore, outcome.CodeTransient, outcome.CodeLockError, outcome.CodeTimeout, outcome.CodeException:
			w.dice.nap(context.Background(), 2*time.Second)
			continue
		}
		return err
	}
}

// send tells of a procedure until it is acknowledged, and sometimes once more.
func (w *ward) send(c bedside.Case) {
	body := c.Event()
	for {
		err := w.again(func(ctx context.Context, r *replica) error {
			_, err := r.service.Message(ctx, episode.Message{Body: body, Door: episode.DoorJetStream})
			return err
		})
		if err != nil {
			w.complain("event %s: %v", c.Procedure(), err)
			return
		}
		if !w.dice.one(3) {
			break
		}
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	w.events++
}

func (w *ward) complain(format string, args ...any) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.refused = append(w.refused, fmt.Sprintf(format, args...))
}

// nurse charts what she finds, in one entry or two, until the shift is over.
func (w *ward) nurse(ctx context.Context, name string, c bedside.Case) {
	var place bedside.Finding
	for n := 0; ; n++ {
		w.dice.nap(ctx, w.pace)
		if ctx.Err() != nil {
			return
		}
		if place.Patient == "" {
			if place = w.find(c); place.Patient == "" {
				continue
			}
		}
		f := place
		f.At, f.By, f.Side, f.ID = time.Now(), bedside.Nurse(), "right", fmt.Sprintf("%s-%d", name, n)
		w.draw(&f)
		w.chart(name, f)
	}
}

// watch sees that what is due is told while others chart, too: a dead replica's claim costs
// its lease of 2 s, and no ward has so many faults that it comes to patience.
func (w *ward) watch(ctx context.Context) {
	const patience = 20 * time.Second
	var due, since time.Time
	for tick := time.NewTicker(time.Second); ; {
		select {
		case <-ctx.Done():
			tick.Stop()
			return
		case now := <-tick.C:
			at, ok, _ := w.memory.NextDue(ctx)
			switch {
			case !ok || at.After(now):
				due = time.Time{}
			case !at.Equal(due):
				due, since = at, now
			case now.Sub(since) > patience:
				w.complain("a due time of %s is left behind at %s", at, now)
				return
			}
		}
	}
}

// settle waits until nothing is left to be done in a time, and no longer than that: replicas
// that look for work and find none cost as much as those that do it.
func (w *ward) settle(within time.Duration) {
	ctx, end := context.Background(), time.Now().Add(within)
	for time.Now().Before(end) {
		at, due, _ := w.memory.NextDue(ctx)
		if unsent, _ := w.memory.Unsettled(ctx); unsent == 0 && (!due || at.After(end)) {
			return
		}
		time.Sleep(time.Second)
	}
}

// draw makes up what was found.
func (w *ward) draw(f *bedside.Finding) {
	switch w.dice.n(8) {
	case 0:
		f.Code, f.Answer = "access-site-bleeding", "bleeding"
	case 1:
		f.Code, f.Amount = "band-air-removed", "3"
	case 2:
		f.Code, f.Amount = "band-air-added", "2"
	case 3:
		f.Code, f.Missing = "radial-patency-test", "not-performed"
	case 4:
		f.Code, f.Answer = "hand-check", "normal"
	default:
		f.Code, f.Answer = "access-site-bleeding", "haemostasis"
	}
}

// chart enters a finding, now and then twice at the same moment, as an impatient screen does.
func (w *ward) chart(name string, f bedside.Finding) {
	var all sync.WaitGroup
	for range 1 + w.dice.n(4)/3 {
		all.Go(func() { w.enter(name, f) })
	}
	all.Wait()
}

func (w *ward) enter(name string, f bedside.Finding) {
	client := episode.Client{ID: name, Display: name, Units: episode.AllUnits()}
	var id string
	err := w.again(func(ctx context.Context, r *replica) error {
		results, err := r.service.Chart(ctx, client, []episode.Entry{{Method: "POST", Type: "Observation", Body: f.Observation()}})
		if err == nil && len(results) == 1 {
			id = results[0].Resource.ID
		}
		return err
	})
	if err != nil {
		w.complain("entry %s: %v", f.ID, err)
		return
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	if other := w.charted[f.ID]; other != "" && other != id {
		w.refused = append(w.refused, fmt.Sprintf("entry %s was acknowledged as %s and as %s", f.ID, other, id))
	}
	w.charted[f.ID] = id
}

// find gives the references of a case, empty while there is no plan.
func (w *ward) find(c bedside.Case) bedside.Finding {
	found := w.all("Procedure")
	for _, r := range found {
		var p struct {
			Identifier []struct{ System, Value string }
			Subject    struct{ Reference string }
		}
		if err := json.Unmarshal(r.Body, &p); err == nil && p.Identifier[0].System+"|"+p.Identifier[0].Value == c.Procedure() {
			return bedside.Finding{PartOf: "Procedure/" + r.ID, Patient: p.Subject.Reference}
		}
	}
	return bedside.Finding{}
}

// all gives the current versions of a type, past every fault.
func (w *ward) all(kind string) []store.Resource {
	page, err := w.memory.Search(context.Background(), search.Query{Type: kind, Count: 10_000})
	if err != nil {
		w.complain("search: %v", err)
	}
	return page.Matches
}
