// Package delivery carries what was committed to the outbox out to its readers.
//
// It knows leases, order and retries; it must not know what a message says, who reads it
// or any clinical rule.
//
// A row is sent before it is marked sent, so a crash between the two sends it again: the
// message id lets a stream and a reader drop the repeat. Rows of one partition are sent
// one after the other, and the rows of an episode are all in one partition, so its order
// holds; a lease per partition keeps two relays apart.
//
//	relay := delivery.NewRelay(delivery.Options{Outbox: store, Publisher: publisher, Log: log})
//	go relay.Run(ctx)
//	relay.Wake() // after a commit in this process
package delivery
