// Package fault holds what the service promises against faults that are drawn from a
// seed: replicas that die, a store that answers late, not at all or only after it has
// done the work, a broker that keeps messages and does not say so. It has tests alone.
//
// The episode service, its timers and the relay are those of the product. The store is
// storetest.Memory, which keeps the same contract as the real ones, behind a wrapper that
// misbehaves; the clock is that of testing/synctest, so that an hour costs milliseconds.
// The network, the real stores and the real broker are for the tests over the wire.
//
//	go test ./internal/fault -run TestMoments -fault.moments 100000
//	go test ./internal/fault -run TestMoments -fault.seed 4711
package fault
