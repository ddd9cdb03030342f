package main

import (
	"fmt"
	"maps"
	"slices"
)

// gaps says what the tests leave out: of an alert it is shown that it fires, that it no longer
// does once the cause is gone, and in a group of its own that it does not where the cause is
// just too small.
func (f *testFile) gaps(names map[string]bool, all bool) []string {
	fires, recovers, stays := map[string]bool{}, map[string]bool{}, map[string]bool{}
	tested := map[string]bool{}
	for _, group := range f.Tests {
		firesHere := map[string]bool{}
		here := map[string]bool{}
		for _, test := range group.AlertRuleTests { // in the order of their times
			name, firing := test.Alertname, len(test.ExpAlerts) > 0
			here[name], tested[name] = true, true
			recovers[name] = recovers[name] || firesHere[name] && !firing
			firesHere[name] = firesHere[name] || firing
			fires[name] = fires[name] || firing
		}
		for name := range here {
			stays[name] = stays[name] || !firesHere[name]
		}
	}
	var faults []string
	for _, name := range slices.Sorted(maps.Keys(tested)) {
		if !names[name] {
			faults = append(faults, fmt.Sprintf("there is no alert %s", name))
		}
	}
	for _, name := range slices.Sorted(maps.Keys(names)) {
		if !all && !tested[name] {
			continue
		}
		for what, shown := range map[string]bool{
			"that it fires": fires[name], "that it recovers": recovers[name], "that it does not fire just below": stays[name],
		} {
			if !shown {
				faults = append(faults, fmt.Sprintf("no test shows of %s %s", name, what))
			}
		}
	}
	return faults
}
