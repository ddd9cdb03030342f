package main

import (
	"context"
	"errors"
	"time"
)

// lameDuck is how long a stopping service still answers after it has said that it is not
// ready, so that whoever sends it requests can notice.
const lameDuck = 2 * time.Second

// running is what works in a node.
type running struct {
	intake, timers, matcher, notifier, deliveries, audit, relay, watch worker
}

// run does the work until ctx ends, the HTTP server fails, or the schema serves this release no
// longer, and then stops.
func (n *node) run(ctx context.Context) error {
	r := running{
		audit: start(n.audit), relay: start(n.relay.Run), matcher: start(n.matcher.Run), notifier: start(n.notifier.Run),
		deliveries: start(n.deliver), timers: start(n.timers.Run), intake: start(n.intake.Run), watch: start(n.watch.run),
	}
	failed := make(chan error, 1)
	go func() { failed <- n.serve() }()

	schema := make(chan error, 1)
	asking, enough := context.WithCancel(ctx)
	defer enough()
	go func() { schema <- n.outlived(asking) }()

	var err error
	answering := true
	select {
	case <-ctx.Done():
	case err = <-failed:
		answering = false
	case err = <-schema:
	}
	n.log.Info("stopping")
	n.stopping.Store(true)
	limit, cancel := context.WithTimeout(context.WithoutCancel(ctx), n.shutdown)
	defer cancel()
	n.stop(limit, r, answering)
	n.log.Info("stopped", "in_time", limit.Err() == nil)
	return err
}

// stop ends the work in order: nothing new is let in before what was let in is finished and
// sent. Each part has its share of the time, so that a slow one leaves some to the others;
// what is not finished was not acknowledged, or is in the store for the next replica.
func (n *node) stop(limit context.Context, r running, answering bool) {
	r.intake.cancel() // other replicas take what comes
	r.timers.cancel()
	if answering {
		n.server.SetKeepAlivesEnabled(false) // who comes again comes to another replica
		wait(limit, n.lameDuck)
	}
	share, enough := context.WithTimeout(limit, n.shutdown/4)
	defer enough()
	if err := n.server.Shutdown(share); err != nil {
		n.log.Warn("requests cut off that did not end in time", "error", errors.Join(err, n.server.Close()))
	}
	share, enough = context.WithTimeout(limit, n.shutdown/4)
	defer enough()
	r.intake.wait(share)
	r.timers.wait(share)
	r.matcher.stop(share)
	if err := n.matcher.Drain(share); err != nil {
		n.log.Warn("changes not matched; the next matcher goes on", "error", err)
	}
	share, enough = context.WithTimeout(limit, n.shutdown/4)
	defer enough()
	r.notifier.cancel()
	r.deliveries.stop(share)
	r.notifier.wait(share)
	r.audit.stop(limit)
	r.relay.stop(limit)
	if err := n.relay.Drain(limit); err != nil {
		n.log.Warn("outbox not drained; the next relay goes on", "error", err)
	}
	r.watch.stop(limit)
	if err := n.watch.close(limit); err != nil {
		n.log.Warn("spans not sent", "error", err)
	}
	if err := n.nats.FlushWithContext(limit); err != nil { // the last acknowledgements
		n.log.Warn("broker not told of all that was taken in; it tells it again", "error", err)
	}
}

// audit keeps the audit trail, if there is one.
func (n *node) audit(ctx context.Context) {
	if n.auditor != nil {
		n.auditor.Run(ctx)
	}
}

// worker is a loop with its owner's hand on it.
type worker struct {
	cancel context.CancelFunc
	done   chan struct{}
}

func start(loop func(ctx context.Context)) worker {
	ctx, cancel := context.WithCancel(context.Background())
	w := worker{cancel: cancel, done: make(chan struct{})}
	go func() {
		defer close(w.done)
		loop(ctx)
	}()
	return w
}

// stop asks the loop to end and waits for it.
func (w worker) stop(ctx context.Context) {
	w.cancel()
	w.wait(ctx)
}

// wait waits for the end of the loop, but not longer than ctx.
func (w worker) wait(ctx context.Context) {
	select {
	case <-w.done:
	case <-ctx.Done():
	}
}

func wait(ctx context.Context, d time.Duration) {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
	case <-ctx.Done():
	}
}

// closeSoon closes a store. A connection that hangs in a statement holds the end up no
// longer than a moment: the process ends, and its connections with it.
func closeSoon(st interface{ Close() }) {
	closed := make(chan struct{})
	go func() {
		defer close(closed)
		st.Close()
	}()
	select {
	case <-closed:
	case <-time.After(time.Second):
	}
}
