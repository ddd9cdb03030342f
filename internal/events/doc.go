// Package events is the life of a message on JetStream: how an event is pulled, when it
// is acknowledged, put off or refused, and how what the service has to tell is published.
//
// It knows JetStream and the acknowledgement table; it must not know SQL, what a message
// says or any clinical rule. What a message means, and which one it repeats, is decided
// by the Handler.
//
//	err := events.Prepare(ctx, js)
//	intake, err := events.NewIntake(ctx, js, events.IntakeOptions{Handler: service, Ping: store.Ping, Log: log})
//	go intake.Run(ctx)
//	publisher := events.NewPublisher(js)
package events
