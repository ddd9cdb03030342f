package episode

import (
	"context"
	"slices"
	"time"

	"fhirsvc/internal/fhir"
	"fhirsvc/internal/workflow"
)

// earlyBy is how long before the first instant that the event tells a finding may lie
// and still belong to the episode: clocks and memories differ (judgement).
const earlyBy = time.Hour

// procedure takes a procedure-completed event into the episodes of its radial sites.
func (r *reception) procedure(ctx context.Context, d *draft, q *quarantine) (plans []string, err error) {
	p := r.notice.Procedure
	episodes, err := r.episodesOf(ctx, p)
	if err != nil {
		return nil, err
	}
	if len(episodes) == 0 {
		return nil, nil // another way in: nothing starts
	}
	q.episode, q.unit = episodes[0].id, r.notice.Unit
	refs := workflow.Refs{Unit: r.notice.Unit, Subject: r.subject, Encounter: r.encounter}
	if r.encounter == "" && r.notice.Encounter.Identifier != nil {
		refs.EncounterIdentifier = r.notice.Encounter.Identifier.Token()
	}
	refs.Procedure = "Procedure/" + r.ids.procedure(p.Identifier)
	var written []string
	if r.order.After(episodes[0].state.Order) {
		if written, err = r.keep(ctx, d, episodes[0]); err != nil {
			return nil, err
		}
	}
	for i, l := range episodes {
		site := siteOf(p, i)
		if site != nil && site.Request >= 0 && written != nil {
			refs.Request = written[site.Request]
		}
		if err := r.tell(ctx, d, l, site, refs); err != nil {
			return nil, err
		}
		plans = append(plans, "CarePlan/"+r.ids.plan(l.id))
	}
	return plans, nil
}

// siteOf gives the site of the i-th episode; nil when the event no longer has it.
func siteOf(p *fhir.ProcedureNotice, i int) *fhir.SiteNotice {
	if i < len(p.Sites) {
		return &p.Sites[i]
	}
	return nil
}

// episodesOf gives the episodes of all sites that the event names, and of those that
// earlier events of the procedure named. New ones get their protocol here.
func (r *reception) episodesOf(ctx context.Context, p *fhir.ProcedureNotice) ([]*loaded, error) {
	var all []*loaded
	for ordinal := 1; ; ordinal++ {
		id := r.ids.episode(p.Identifier, ordinal)
		l, err := r.load(ctx, id)
		switch {
		case err == nil:
			all = append(all, l)
		case !notFound(err):
			return nil, err
		case ordinal > len(p.Sites):
			return all, nil
		default:
			all = append(all, fresh(id))
		}
	}
}

// tell gives one episode its part of the event: started, or revoked when the event is
// withdrawn or no longer has the site.
func (r *reception) tell(ctx context.Context, d *draft, l *loaded, site *fhir.SiteNotice, refs workflow.Refs) error {
	stamp := workflow.Stamp{At: d.at, ID: r.key.Source + "|" + r.key.ID}
	status := r.notice.Procedure.Status
	revoked := site == nil || status != fhir.ProcedureCompleted
	newest := r.order.After(l.state.Order)
	if newest {
		if l.version > 0 && l.state.Refs.Unit != refs.Unit {
			if err := r.leave(ctx, l); err != nil {
				return err
			}
		}
		l.renamed = l.version > 0 && l.state.Refs != refs
		l.state.Refs, l.state.Order = refs, r.order
	}
	var event workflow.Event
	var err error
	if site != nil {
		event = site.Event
		event.Order, event.Recorded, event.Refs = r.order, r.at, refs
		event.Dropped = slices.Concat(event.Dropped, r.doubts)
		if event.Refs.Subject, err = r.sameToCore(ctx, l, refs.Subject); err != nil {
			return err
		}
		if begin := beginOf(r.notice.Procedure.Begin, event, r.at); newest || l.state.Begin.IsZero() {
			l.state.Begin = begin
		}
		r.assign(l, event)
	}
	if revoked {
		reason := string(status)
		if status == fhir.ProcedureCompleted {
			reason = string(fhir.ProcedureInError) // this site was never used
		}
		return d.advance(l, workflow.Revoked{Stamp: stamp, Order: r.order, Reason: reason})
	}
	if event.OtherPlan, err = r.otherPlan(ctx, l.id, event); err != nil {
		return err
	}
	return d.advance(l, workflow.Started{Stamp: stamp, Event: event})
}

// sameToCore names the patient as the core has known them from the first event, as long as
// it is the same person under another record: only another person is a correction.
func (r *reception) sameToCore(ctx context.Context, l *loaded, subject string) (string, error) {
	if len(l.core.Events) == 0 || l.core.Events[0].Refs.Subject == subject {
		return subject, nil
	}
	records, err := r.person(ctx, subject)
	if err != nil || !slices.Contains(records, l.core.Events[0].Refs.Subject) {
		return subject, err
	}
	return l.core.Events[0].Refs.Subject, nil
}

// beginOf is the first instant whose findings belong to the episode.
func beginOf(performed time.Time, e workflow.Event, received time.Time) time.Time {
	first := received
	if performed.IsZero() && e.CompressionStart.IsZero() && e.PerformedEnd.IsZero() {
		return received.Add(-adoptWithin)
	}
	for _, t := range []time.Time{performed, e.CompressionStart, e.PerformedEnd} {
		if !t.IsZero() && t.Before(first) {
			first = t
		}
	}
	return first.Add(-earlyBy)
}

// assign chooses the protocol of an episode that has none. One that was chosen stays to
// the end.
func (r *reception) assign(l *loaded, event workflow.Event) {
	if l.protocol.Protocol != nil {
		return
	}
	chosen, why := workflow.Select(r.protocols.offered, event)
	l.core.NoProtocol = why
	if chosen == nil {
		return
	}
	l.protocol = r.protocols.chosen(chosen.Canonical())
	l.core.Protocol = l.protocol.Protocol
}

// otherPlan finds another plan that is open on the same wrist.
func (r *reception) otherPlan(ctx context.Context, episode string, event workflow.Event) (string, error) {
	others, err := r.episodesOfSubject(ctx, event.Refs.Subject)
	if err != nil {
		return "", err
	}
	for _, o := range others {
		if o.id != episode && o.open() && event.Side != "" && o.side() == event.Side {
			return o.id, nil
		}
	}
	return "", nil
}

// keep stores the Procedure and what came beside it, as it was sent, with the first
// episode. It gives the reference of every entry.
func (r *reception) keep(ctx context.Context, d *draft, l *loaded) ([]string, error) {
	refs := make([]string, len(r.notice.Entries))
	known := make([]bool, len(refs))
	for i, e := range r.notice.Entries {
		if e.Shared() {
			refs[i] = r.local[firstOf(e.Names)]
			continue
		}
		id, found, err := r.entryID(ctx, i, e)
		if err != nil {
			return nil, err
		}
		refs[i], known[i] = e.Type+"/"+id, found
		for _, name := range e.Names {
			r.local[name] = refs[i]
		}
	}
	for i, e := range r.notice.Entries {
		if e.Shared() {
			continue
		}
		in := r.incoming(e)
		id := refs[i][len(e.Type)+1:]
		current, err := r.current(ctx, e.Type, id)
		if err != nil {
			return nil, err
		}
		v, changed, err := r.successor(current, in, id, d.at)
		if err != nil {
			return nil, err
		}
		switch {
		case changed:
		case v.Unit == r.notice.Unit:
			continue
		default: // it moves with the event
			if v, err = r.sameAgain(v, d.at); err != nil {
				return nil, err
			}
		}
		v.Unit, v.Episode = r.notice.Unit, l.id
		d.put(v, l.version+1)
		if known[i] {
			continue
		}
		claims, err := r.claims(ctx, in, v.ID)
		if err != nil {
			return nil, err
		}
		d.changes.Identities = append(d.changes.Identities, claims...)
	}
	return refs, nil
}

// entryID is the id under which an entry is stored.
func (r *reception) entryID(ctx context.Context, i int, e fhir.Entry) (id string, known bool, err error) {
	if i != r.notice.Procedure.Entry {
		if id, known, err = r.identify(ctx, e.Type, e.Identifiers); known || err != nil {
			return id, known, err
		}
	}
	return r.newID(i, e), i == r.notice.Procedure.Entry, nil
}

func firstOf(names []string) string {
	if len(names) == 0 {
		return ""
	}
	return names[0]
}
