package main

import (
	"context"
	"errors"
	"io"
	"log/slog"
	"sync"
	"time"

	"fhirsvc/internal/sandbox/bedside"
)

// startPlays starts what is to be played and returns the call that waits for its end,
// which comes with the end of ctx.
func startPlays(ctx context.Context, o sandboxFlags, httpURL, natsURL string, out surroundings, log *slog.Logger) (wait func()) {
	var plays sync.WaitGroup
	if o.play {
		plays.Go(func() { logFault(log, playTold(ctx, httpURL, natsURL, o.clock, out.stdout)) })
	}
	for i := range o.patients {
		plays.Go(func() { logFault(log, playOne(ctx, httpURL, natsURL, i)) })
	}
	return plays.Wait
}

func logFault(log *slog.Logger, err error) {
	if err != nil && !errors.Is(err, context.Canceled) {
		log.Error("played episode ended early", "error", err)
	}
}

// playOne plays the i-th of many: they begin one after the other, every second is an
// intervention and every third bleeds once.
func playOne(ctx context.Context, httpURL, natsURL string, i int) error {
	select {
	case <-time.After(time.Duration(i) * 300 * time.Millisecond):
	case <-ctx.Done():
		return ctx.Err()
	}
	kind, bleedAfter := "diagnostic", 0
	if i%2 == 1 {
		kind = "intervention"
	}
	if i%3 == 2 {
		bleedAfter = 1 + i%4
	}
	return play(ctx, httpURL, natsURL, kind, 1+i, bleedAfter, io.Discard)
}

// playTold plays one episode, tells it to out, and then says where to look around.
func playTold(ctx context.Context, httpURL, natsURL, clock string, out io.Writer) error {
	say(out, "\nAn invented episode, played by itself on the clock %s. Stop with Ctrl-C.\n"+
		"The protocol is a draft that nobody has approved, and no practising clinician has\n"+
		"reviewed fhirsvc: it schedules and documents, it never decides treatment.\n\n", clock)
	if err := play(ctx, httpURL, natsURL, "diagnostic", 0, 3, out); err != nil {
		return err
	}
	say(out, `
Look around; the sandbox stays up until Ctrl-C. Its broker is at %s

  curl '%s/fhir/CarePlan?_count=1'
  curl '%s/fhir/Task?code=release-step&status=completed'
  curl '%s/fhir/Observation?_sort=-date&_count=5'
`, natsURL, httpURL, httpURL, httpURL)
	return nil
}

// play plays one episode that begins now. The number is its own among those that begin
// in the same second.
func play(ctx context.Context, httpURL, natsURL, kind string, number, bleedAfter int, out io.Writer) error {
	client, err := bedside.Dial(httpURL, natsURL)
	if err != nil {
		return err
	}
	defer client.Close()
	now, err := client.Now(ctx)
	if err != nil {
		return err
	}
	const perSecond = 1000
	number += int(now.Unix()%1_000_000) * perSecond
	return bedside.Play(ctx, client, bedside.NewCase(number, kind, now), bleedAfter, out)
}
