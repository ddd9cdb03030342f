// Package sandbox is what stands in for the surroundings when the whole service runs on
// one machine with nothing installed: an embedded JetStream server and a clock that one
// can turn.
//
// It knows the broker's settings and how a clock is turned; it must not know how a
// message is handled, what is due or anything of a production configuration.
//
//	broker, err := sandbox.StartBroker("127.0.0.1:4222", dir)
//	clock, err := sandbox.OpenClock("manual", start, filepath.Join(dir, "clock.json"))
//	mux.Handle("/sandbox/clock", sandbox.NewClockHandler(clock, driver))
package sandbox
