package workflow_test

import (
	"encoding/json"
	"fmt"
	"reflect"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"fhirsvc/internal/workflow"
)

// TestZones: an episode played over the night in which summer time ends (27 October 2024,
// Europe, IANA time zone database), all its times written in that zone, goes as in UTC on
// any other day: only what lies between two instants counts.
func TestZones(t *testing.T) {
	berlin, err := time.LoadLocation("Europe/Berlin")
	require.NoError(t, err)
	autumn := time.Date(2024, 10, 26, 23, 30, 0, 0, time.UTC)
	rapid.Check(t, func(t *rapid.T) {
		w := newWard(t)
		for range rapid.IntRange(1, 25).Draw(t, "acts") {
			w.act(t)
		}
		by := autumn.Sub(day.Add(10 * time.Hour))
		there := workflow.New("e1", w.e.Protocol, w.e.NoProtocol)
		for _, in := range w.inputs {
			moved := reflect.New(reflect.TypeOf(in))
			body, err := json.Marshal(in)
			require.NoError(t, err)
			require.NoError(t, json.Unmarshal(body, moved.Interface()))
			shift(moved.Elem(), by, berlin)
			there, _, err = workflow.Step(there, moved.Elem().Interface().(workflow.Input))
			require.NoError(t, err)
		}
		require.Equal(t, distances(&w.e, day), distances(&there, day.Add(by)))
	})
}

// shift moves all instants within v and writes them in the zone.
func shift(v reflect.Value, by time.Duration, zone *time.Location) {
	if at, ok := v.Interface().(time.Time); ok {
		if !at.IsZero() {
			v.Set(reflect.ValueOf(at.Add(by).In(zone)))
		}
		return
	}
	switch v.Kind() { //nolint:exhaustive // the others hold no instants
	case reflect.Struct:
		for i := range v.NumField() {
			if v.Type().Field(i).IsExported() {
				shift(v.Field(i), by, zone)
			}
		}
	case reflect.Slice:
		for i := range v.Len() {
			shift(v.Index(i), by, zone)
		}
	}
}

// distances tells the Tasks by the distance of their times from an instant.
func distances(e *workflow.Episode, from time.Time) string {
	var b strings.Builder
	after := func(t time.Time) string {
		if t.IsZero() {
			return "-"
		}
		return t.Sub(from).String()
	}
	for _, t := range e.Tasks {
		fmt.Fprintln(&b, t.Key, t.Status, t.Lateness, t.Priority, after(t.NotBefore), after(t.Due), after(t.End), t.Planned, len(t.Called))
	}
	fmt.Fprintln(&b, e.Plan.Status, after(e.Plan.Off), after(e.Plan.End), e.Plan.Summary.Figures)
	return b.String()
}
