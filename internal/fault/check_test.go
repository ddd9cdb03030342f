package fault

import (
	"context"
	"encoding/json"
	"fmt"
	"strconv"
	"time"
)

// check reads everything from outside and compares it with what clients were told.
func (w *ward) check() []string {
	var faults []string
	wrong := func(format string, args ...any) { faults = append(faults, fmt.Sprintf(format, args...)) }
	for _, r := range w.refused {
		wrong("%s", r)
	}
	w.checkEntries(wrong)
	w.checkEpisodes(wrong)
	w.checkChanges(wrong)
	ctx := context.Background()
	if at, ok, _ := w.memory.NextDue(ctx); ok && at.Before(w.over.Add(-time.Second)) {
		wrong("a due time of %s is left behind, the timers ran until %s", at, w.over)
	}
	if n, _ := w.memory.Unsettled(ctx); n > 0 {
		wrong("%d messages are left behind", n)
	}
	if kept, _ := w.memory.Quarantined(ctx); len(kept) > 0 {
		wrong("in quarantine: %s", kept[0].Fault)
	}
	return faults
}

// checkEntries: what was acknowledged is there, once, under the id that was told.
func (w *ward) checkEntries(wrong func(string, ...any)) {
	there := map[string][]string{}
	for _, r := range w.all("Observation") {
		var o struct {
			Identifier []struct{ Value string }
		}
		if err := json.Unmarshal(r.Body, &o); err == nil && len(o.Identifier) > 0 {
			there[o.Identifier[0].Value] = append(there[o.Identifier[0].Value], r.ID)
		}
	}
	for entry, id := range w.charted {
		if got := there[entry]; len(got) != 1 || got[0] != id {
			wrong("entry %s was acknowledged as Observation/%s and is there as %v", entry, id, got)
		}
	}
	for entry, got := range there {
		if len(got) > 1 {
			wrong("entry %s is there as %v", entry, got)
		}
	}
	if plans := len(w.all("CarePlan")); plans != w.events {
		wrong("%d events were acknowledged, there are %d plans", w.events, plans)
	}
}

// checkEpisodes: the inputs give the state, and each entry is in one of them.
func (w *ward) checkEpisodes(wrong func(string, ...any)) {
	ctx := context.Background()
	service := w.replicas[0].service
	for _, plan := range w.all("CarePlan") {
		if err := service.Replay(ctx, plan.Episode); err != nil {
			wrong("%v", err)
		}
	}
}

// change is the body of a change event.
type change struct {
	Type, ID, VersionID, Episode string
	Seq                          int64
}

// checkChanges: each version was told, those of an episode for the first time in order.
func (w *ward) checkChanges(wrong func(string, ...any)) {
	told := map[string]bool{}
	last := map[string]int64{}
	latest := map[string]int64{}
	for _, m := range w.broker.kept {
		if told[m.MessageID] {
			continue
		}
		told[m.MessageID] = true
		var c change
		if err := json.Unmarshal(m.Body, &c); err != nil || c.Type == "" {
			continue
		}
		version, _ := strconv.ParseInt(c.VersionID, 10, 64)
		if c.Episode != "" && c.Seq < last[c.Episode] {
			wrong("%s/%s of step %d was told after step %d of its episode", c.Type, c.ID, c.Seq, last[c.Episode])
		}
		if place := c.Type + "/" + c.ID; version != latest[place]+1 {
			wrong("version %d of %s was told after version %d", version, place, latest[place])
		}
		last[c.Episode], latest[c.Type+"/"+c.ID] = c.Seq, version
	}
	for _, kind := range []string{"CarePlan", "Task", "Observation", "Flag", "Procedure"} {
		for _, r := range w.all(kind) {
			if latest[kind+"/"+r.ID] != r.Version {
				wrong("version %d of %s/%s was never told, %d was", r.Version, kind, r.ID, latest[kind+"/"+r.ID])
			}
		}
	}
}
