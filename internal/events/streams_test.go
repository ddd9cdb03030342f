package events_test

import (
	"testing"

	"github.com/nats-io/nats.go/jetstream"
	"github.com/stretchr/testify/require"

	"fhirsvc/internal/events"
)

func TestPrepareCreatesWhatIsAbsent(t *testing.T) {
	_, js := broker(t)
	for name, subject := range map[string]string{
		events.StreamProcedure: "ehr.procedure.completed",
		events.StreamRejected:  "fhirsvc.rejected.procedure",
		events.StreamChanges:   "fhirsvc.changes.>",
	} {
		s, err := js.Stream(t.Context(), name)
		require.NoError(t, err)
		got := s.CachedInfo().Config
		require.Equal(t, []string{subject}, got.Subjects)
		require.Equal(t, jetstream.LimitsPolicy, got.Retention)
		require.Equal(t, jetstream.FileStorage, got.Storage)
	}
}

func TestPrepareNeverAlters(t *testing.T) {
	_, js := broker(t)
	mine := jetstream.StreamConfig{
		Name: events.StreamProcedure, Subjects: []string{"ehr.>"}, MaxMsgs: 1234, Description: "the site's own",
	}
	require.NoError(t, js.DeleteStream(t.Context(), mine.Name))
	_, err := js.CreateStream(t.Context(), mine)
	require.NoError(t, err)
	require.NoError(t, events.Prepare(t.Context(), js))
	s, err := js.Stream(t.Context(), mine.Name)
	require.NoError(t, err)
	got := s.CachedInfo().Config
	require.Equal(t, mine.Subjects, got.Subjects)
	require.Equal(t, mine.MaxMsgs, got.MaxMsgs)
	require.Equal(t, mine.Description, got.Description)
}

func TestPrepareRefusesWhatLosesMessages(t *testing.T) {
	tests := map[string]jetstream.StreamConfig{
		"retention is not limits":                       {Subjects: []string{"ehr.>"}, Retention: jetstream.WorkQueuePolicy},
		"storage is not file":                           {Subjects: []string{"ehr.>"}, Storage: jetstream.MemoryStorage},
		"does not take subject ehr.procedure.completed": {Subjects: []string{"ehr.other"}},
	}
	for fault, config := range tests {
		t.Run(fault, func(t *testing.T) {
			_, js := broker(t)
			config.Name = events.StreamProcedure
			require.NoError(t, js.DeleteStream(t.Context(), config.Name))
			_, err := js.CreateStream(t.Context(), config)
			require.NoError(t, err)
			require.ErrorContains(t, events.Prepare(t.Context(), js), fault)
		})
	}
}

func TestIntakeRefusesAConsumerThatGivesUp(t *testing.T) {
	for _, config := range []jetstream.ConsumerConfig{
		{AckPolicy: jetstream.AckExplicitPolicy, MaxDeliver: 3},
		{AckPolicy: jetstream.AckAllPolicy, MaxDeliver: -1},
		{AckPolicy: jetstream.AckNonePolicy, MaxDeliver: -1},
	} {
		_, js := broker(t)
		config.Durable = events.ConsumerProcedure
		_, err := js.CreateOrUpdateConsumer(t.Context(), events.StreamProcedure, config)
		require.NoError(t, err)
		_, err = events.NewIntake(t.Context(), js, events.IntakeOptions{})
		require.ErrorContains(t, err, "acknowledge explicitly and deliver without limit")
	}
}
