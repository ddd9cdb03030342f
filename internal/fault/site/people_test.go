package site

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"sync"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"fhirsvc/internal/events"
	"fhirsvc/internal/fhir"
)

// history is what people were told, taken down while it happened.
type history struct {
	mu       sync.Mutex
	events   map[int]bool      // by patient: at least one telling was acknowledged
	entries  map[string]string // identifier of an entry, and the Observation as which it was acknowledged
	amended  map[string]bool   // those whose correction was acknowledged
	claims   []claim
	wrong    []string // answers that nobody should get
	inputs   int      // acknowledged
	attempts int
}

// claim is a claim of a Task that was acknowledged.
type claim struct {
	task    string
	matched int // the version that was seen
	owner   string
	answer  string // as it was given
}

func newHistory() *history {
	return &history{events: map[int]bool{}, entries: map[string]string{}, amended: map[string]bool{}}
}

func (h *history) complain(format string, args ...any) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.wrong = append(h.wrong, fmt.Sprintf(format, args...))
}

// people are all senders and nurses of a run.
type people struct {
	site    *site
	seed    uint64
	client  *client
	history *history
}

// play lets everybody do what the stories say, each thing until it is acknowledged, and
// returns when all is said, or when ctx ends.
func (p *people) play(ctx context.Context, stories []story) {
	var all sync.WaitGroup
	for _, s := range stories {
		all.Go(func() { p.send(ctx, s) })
		for nurse := range min(2, len(s.entries)) {
			all.Go(func() { p.nurse(ctx, s, nurse) })
		}
	}
	all.Wait()
}

// tries again until there is an answer that is one: the service, its database or its
// broker may be away. What answers 500 is a fault of the product.
func (p *people) tries(ctx context.Context, d *dice, what string, ask func(base string) (int, []byte, error)) (int, []byte, bool) {
	for ctx.Err() == nil {
		base := p.site.replicas[d.n(replicas)].url()
		status, body, err := ask(base)
		p.history.mu.Lock()
		p.history.attempts++
		p.history.mu.Unlock()
		switch {
		case err == nil && status == http.StatusInternalServerError:
			p.history.complain("%s: HTTP 500: %.400s", what, body)
			return status, body, false
		case err != nil, status == http.StatusServiceUnavailable, status == http.StatusGatewayTimeout:
			pause(ctx, d.between(20*time.Millisecond, 250*time.Millisecond))
		default:
			return status, body, true
		}
	}
	p.history.complain("%s: never got through", what)
	return 0, nil, false
}

// send tells of the procedure.
func (p *people) send(ctx context.Context, s story) {
	d := newDice(p.seed, fmt.Sprintf("sender %d", s.patient))
	if len(s.entries) > 0 {
		d.nap(ctx, 1500*time.Millisecond)
	}
	for _, to := range s.sends {
		for range to.times {
			if !p.deliver(ctx, d, s, to) {
				return
			}
			d.nap(ctx, 400*time.Millisecond)
		}
	}
}

func (p *people) deliver(ctx context.Context, d *dice, s story, to sending) bool {
	what := "event of patient " + fmt.Sprint(s.patient)
	body := to.kase.Event()
	if to.stream {
		if !p.publish(ctx, d, what, to.id, body) {
			return false
		}
	} else {
		status, answer, ok := p.tries(ctx, d, what, func(base string) (int, []byte, error) {
			return p.client.do(ctx, http.MethodPost, base+"/fhir/$process-message", body, nil)
		})
		if !ok {
			return false
		}
		if status != http.StatusOK {
			p.history.complain("%s: HTTP %d: %.400s", what, status, answer)
			return false
		}
	}
	p.history.mu.Lock()
	defer p.history.mu.Unlock()
	p.history.events[s.patient] = true
	p.history.inputs++
	return true
}

// publish sends until the broker has acknowledged.
func (p *people) publish(ctx context.Context, d *dice, what, id string, body []byte) bool {
	for ctx.Err() == nil {
		m := &nats.Msg{Subject: events.SubjectProcedure, Data: body, Header: nats.Header{"Content-Type": []string{fhir.ContentType}}}
		if id != "" {
			m.Header.Set(jetstream.MsgIDHeader, id)
		}
		try, cancel := context.WithTimeout(ctx, time.Second)
		_, err := p.site.js.PublishMsg(try, m, jetstream.WithRetryAttempts(0))
		cancel()
		if err == nil {
			return true
		}
		pause(ctx, d.between(20*time.Millisecond, 250*time.Millisecond))
	}
	p.history.complain("%s: the broker never took it", what)
	return false
}

// nurse charts every second entry of the story, and claims a Task now and then.
func (p *people) nurse(ctx context.Context, s story, which int) {
	d := newDice(p.seed, fmt.Sprintf("nurse %d of patient %d", which, s.patient))
	patient, procedure := p.find(ctx, d, s)
	if patient == "" {
		return
	}
	for i, e := range s.entries {
		if i%2 != which {
			continue
		}
		d.nap(ctx, 700*time.Millisecond)
		e.finding.Patient, e.finding.PartOf = patient, procedure
		p.chart(ctx, d, e)
		if d.one(2) {
			p.claim(ctx, d, patient, fmt.Sprintf("Nurse %d-%d-%d", s.patient, which, i))
		}
	}
}

// find waits for the procedure to be known.
func (p *people) find(ctx context.Context, d *dice, s story) (patient, procedure string) {
	for ctx.Err() == nil {
		_, body, ok := p.tries(ctx, d, "search for the procedure", func(base string) (int, []byte, error) {
			return p.client.do(ctx, http.MethodGet, base+"/fhir/Procedure?identifier="+url.QueryEscape(s.kase.Procedure()), nil, nil)
		})
		var page bundle
		if ok && json.Unmarshal(body, &page) == nil && len(page.Entry) == 1 {
			var found struct {
				ID      string
				Subject struct{ Reference string }
			}
			if json.Unmarshal(page.Entry[0].Resource, &found) == nil {
				return found.Subject.Reference, "Procedure/" + found.ID
			}
		}
		pause(ctx, d.between(50*time.Millisecond, 300*time.Millisecond))
	}
	return "", ""
}

// chart enters a finding, and corrects it or takes it back if the story says so.
func (p *people) chart(ctx context.Context, d *dice, e entry) {
	var all sync.WaitGroup
	if e.twice {
		all.Go(func() { p.enter(ctx, newDice(p.seed, "twin of "+e.finding.ID), e) })
	}
	p.enter(ctx, d, e)
	all.Wait()
	p.history.mu.Lock()
	id := p.history.entries[e.finding.ID]
	p.history.mu.Unlock()
	if id == "" || e.amend == "" && !e.mistake {
		return
	}
	d.nap(ctx, 300*time.Millisecond)
	p.amend(ctx, d, e, id)
}

func (p *people) enter(ctx context.Context, d *dice, e entry) {
	body, key := e.finding.Observation(), e.finding.ID
	status, answer, ok := p.tries(ctx, d, key, func(base string) (int, []byte, error) {
		return p.client.do(ctx, http.MethodPost, base+"/fhir/Observation", body, nil)
	})
	if !ok {
		return
	}
	var made struct{ ID string }
	if status != http.StatusCreated && status != http.StatusOK || json.Unmarshal(answer, &made) != nil {
		p.history.complain("%s: HTTP %d: %.400s", key, status, answer)
		return
	}
	p.history.mu.Lock()
	defer p.history.mu.Unlock()
	p.history.inputs++
	if was := p.history.entries[key]; was != "" && was != made.ID {
		p.history.wrong = append(p.history.wrong, fmt.Sprintf("%s was acknowledged as Observation/%s and as Observation/%s", key, was, made.ID))
	}
	p.history.entries[key] = made.ID
}

// amend corrects an entry, or takes it back, if it is still as it was seen. Whoever asks
// again after no answer may find that it is done already.
func (p *people) amend(ctx context.Context, d *dice, e entry, id string) {
	at := "/fhir/Observation/" + id
	_, seen, ok := p.tries(ctx, d, "read "+at, func(base string) (int, []byte, error) {
		return p.client.do(ctx, http.MethodGet, base+at, nil, nil)
	})
	if !ok {
		return
	}
	body := bytes.Replace(seen, []byte(`"status":"final"`), []byte(`"status":"entered-in-error"`), 1)
	if e.amend != "" {
		body = bytes.Replace(seen, []byte(`"value":`+e.finding.Amount), []byte(`"value":`+e.amend), 1)
		body = bytes.Replace(body, []byte(`"status":"final"`), []byte(`"status":"corrected"`), 1)
	}
	match := http.Header{"If-Match": {`W/"` + versionOf(seen) + `"`}}
	status, answer, ok := p.tries(ctx, d, "correct "+at, func(base string) (int, []byte, error) {
		return p.client.do(ctx, http.MethodPut, base+at, body, match)
	})
	if !ok {
		return
	}
	if status == http.StatusPreconditionFailed { // ours, unless the checker finds otherwise
		status = http.StatusOK
	}
	if status != http.StatusOK {
		p.history.complain("correct %s: HTTP %d: %.400s", at, status, answer)
		return
	}
	p.history.mu.Lock()
	defer p.history.mu.Unlock()
	p.history.inputs++
	p.history.amended[e.finding.ID] = true
}

// claim takes a Task whose turn it is, if it is still as it was seen.
func (p *people) claim(ctx context.Context, d *dice, patient, nurse string) {
	_, body, ok := p.tries(ctx, d, "search for Tasks", func(base string) (int, []byte, error) {
		return p.client.do(ctx, http.MethodGet, base+"/fhir/Task?status=ready&patient="+patient, nil, nil)
	})
	var page bundle
	if !ok || json.Unmarshal(body, &page) != nil || len(page.Entry) == 0 {
		return
	}
	seen := page.Entry[d.n(len(page.Entry))].Resource
	c := claim{owner: nurse}
	_, _ = fmt.Sscanf(versionOf(seen), "%d", &c.matched) // our own digits
	var task struct{ ID string }
	if json.Unmarshal(seen, &task) != nil || task.ID == "" {
		return
	}
	c.task = "Task/" + task.ID
	header := http.Header{"Content-Type": {"application/json-patch+json"}, "If-Match": {fmt.Sprintf(`W/"%d"`, c.matched)}}
	patch := fmt.Appendf(nil, `[{"op":"add","path":"/owner","value":{"display":%q}}]`, nurse)
	status, answer, ok := p.tries(ctx, d, "claim "+c.task, func(base string) (int, []byte, error) {
		return p.client.do(ctx, http.MethodPatch, base+"/fhir/"+c.task, patch, header)
	})
	switch {
	case !ok, status == http.StatusPreconditionFailed:
		// somebody was faster: perhaps we were, and did not hear of it
	case status == http.StatusUnprocessableEntity && strings.Contains(string(answer), "business-rule"):
		// it was ended meanwhile
	case status != http.StatusOK:
		p.history.complain("claim %s: HTTP %d: %.400s", c.task, status, answer)
	default:
		p.history.mu.Lock()
		defer p.history.mu.Unlock()
		p.history.inputs++
		c.answer = string(answer)
		p.history.claims = append(p.history.claims, c)
	}
}

func versionOf(body []byte) string {
	var r struct{ Meta struct{ VersionID string } }
	if json.Unmarshal(body, &r) != nil {
		return ""
	}
	return r.Meta.VersionID
}
