package main

import (
	"context"
	"fmt"
	"maps"
	"net/url"
	"time"

	"fhirsvc/internal/fhir"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/search"
	"fhirsvc/internal/fhir/tree"
	"fhirsvc/internal/store"
	"fhirsvc/internal/telemetry"
)

// openTasks are the states in which a Task waits for somebody.
const openTasks = "requested,received,accepted,ready,in-progress,on-hold"

// gauges are what is asked of the store and the broker when somebody looks at the metrics. All
// replicas give the same figures: a sum over them means nothing.
func (n *node) gauges() []telemetry.Gauge {
	return []telemetry.Gauge{
		{Name: "fhirsvc_episodes_open", Help: "Plans that are active or on hold.", Read: one(func(ctx context.Context) (float64, error) {
			total, err := n.count(ctx, "CarePlan", url.Values{"status": {"active,on-hold"}})
			return float64(total), err
		})},
		{Name: "fhirsvc_tasks_open", Help: "Tasks that wait for somebody, by code.", Label: "code", Read: n.tasksByCode(url.Values{"status": {openTasks}})},
		{Name: "fhirsvc_tasks_overdue", Help: "Of them those that are overdue, escalated ones too, by code.", Label: "code", Read: n.tasksByCode(overdue())},
		{Name: "fhirsvc_oldest_overdue_seconds", Help: "How long the Task that is overdue longest has been due; 0 if none is.", Read: one(n.oldestOverdue)},
		{Name: "fhirsvc_due_oldest_seconds", Help: "How long the episode that was due first has waited to be told; 0 if none waits.", Read: one(n.oldestDue)},
		{Name: "fhirsvc_quarantined", Help: "Inputs kept aside after a fault of the service.", Read: one(func(ctx context.Context) (float64, error) {
			kept, err := n.store.Quarantined(ctx)
			return float64(len(kept)), err
		})},
		{Name: "fhirsvc_outbox_waiting", Help: "Changes not yet delivered, by destination.", Label: "destination", Read: n.backlog(waiting)},
		{Name: "fhirsvc_outbox_refused", Help: "Of a destination: what was not taken and waits for a person.", Label: "destination", Read: n.backlog(refused)},
		{Name: "fhirsvc_outbox_oldest_seconds", Help: "Age of the oldest change not yet delivered, by destination; 0 if none waits.", Label: "destination", Read: n.backlog(n.oldest)},
		{Name: "fhirsvc_jetstream_messages", Help: "Procedure events at the broker: pending ones not yet given out, unacknowledged and redelivered ones.", Label: "state", Read: n.consumer},
	}
}

func one(read func(ctx context.Context) (float64, error)) func(context.Context) ([]telemetry.Reading, error) {
	return func(ctx context.Context) ([]telemetry.Reading, error) {
		v, err := read(ctx)
		return []telemetry.Reading{{Value: v}}, err
	}
}

func overdue() url.Values {
	late := fhir.SystemLocal + "|"
	return url.Values{"status": {openTasks}, "business-status": {late + string(fhir.CodeOverdue) + "," + late + string(fhir.CodeEscalated)}}
}

// page answers a search of the service's own.
func (n *node) page(ctx context.Context, resourceType string, params url.Values) (store.Page, error) {
	q, _, issues := search.Parse(resourceType, params, search.Options{})
	if outcome.HasErrors(issues) {
		return store.Page{}, outcome.Reject("gauge", issues)
	}
	return n.store.Search(ctx, q)
}

func (n *node) count(ctx context.Context, resourceType string, params url.Values) (int, error) {
	params.Set("_count", "0")
	p, err := n.page(ctx, resourceType, params)
	return p.Total, err
}

func (n *node) tasksByCode(of url.Values) func(context.Context) ([]telemetry.Reading, error) {
	return func(ctx context.Context) ([]telemetry.Reading, error) {
		var all []telemetry.Reading
		for _, code := range fhir.TaskCodes() {
			params := url.Values{"code": {fhir.SystemLocal + "|" + string(code)}}
			maps.Copy(params, of)
			total, err := n.count(ctx, "Task", params)
			if err != nil {
				return nil, err
			}
			all = append(all, telemetry.Reading{Label: string(code), Value: float64(total)})
		}
		return all, nil
	}
}

func (n *node) oldestDue(ctx context.Context) (float64, error) {
	at, ok, err := n.store.NextDue(ctx)
	if err != nil || !ok {
		return 0, err
	}
	return max(0, n.service.Now().Sub(at).Seconds()), nil
}

// oldestOverdue is how long the Task that is overdue longest has been due.
func (n *node) oldestOverdue(ctx context.Context) (float64, error) {
	params := overdue()
	params.Set("_sort", "due-date")
	params.Set("_count", "1")
	p, err := n.page(ctx, "Task", params)
	if err != nil || len(p.Matches) == 0 {
		return 0, err
	}
	doc, _ := tree.Parse(p.Matches[0].Body)
	due, err := time.Parse(time.RFC3339, doc.Root.Get("restriction").Get("period").Str("end"))
	if err != nil {
		return 0, fmt.Errorf("a Task that is overdue is due at no time: %w", err)
	}
	return n.service.Now().Sub(due).Seconds(), nil
}

func (n *node) backlog(of func(store.Backlog) float64) func(context.Context) ([]telemetry.Reading, error) {
	return func(ctx context.Context) ([]telemetry.Reading, error) {
		all, err := n.store.Backlogs(ctx)
		readings := make([]telemetry.Reading, len(all))
		for i, b := range all {
			readings[i] = telemetry.Reading{Label: b.Destination, Value: of(b)}
		}
		return readings, err
	}
}

func waiting(b store.Backlog) float64 { return float64(b.Waiting) }
func refused(b store.Backlog) float64 { return float64(b.Refused) }

func (n *node) oldest(b store.Backlog) float64 {
	if b.Oldest.IsZero() {
		return 0
	}
	return max(0, n.service.Now().Sub(b.Oldest).Seconds())
}

func (n *node) consumer(ctx context.Context) ([]telemetry.Reading, error) {
	pending, unacknowledged, redelivered, err := n.intake.Waiting(ctx)
	return []telemetry.Reading{
		{Label: "pending", Value: float64(pending)}, {Label: "unacknowledged", Value: float64(unacknowledged)}, {Label: "redelivered", Value: float64(redelivered)},
	}, err
}
