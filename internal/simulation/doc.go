// Package simulation plays invented wrists under a compression band against the clinical
// core: a wrist that bleeds and clots by chance, nurses who come late and chart late, and
// a clinician who is asked. It shows whether the rules hold and every episode ends under
// ordinary nursing, and how long bands stay on beside what was published. It is a model
// of practice, not of any patient: its figures are no forecast and no evidence.
//
// It knows the core's inputs and effects and the rates it was given. It must not know
// I/O, the wall clock or how a resource is written; given a seed it is pure: the same
// seed gives the same episodes on every machine.
//
//	ward := simulation.Ward{Protocols: protocols, Rates: simulation.LowBleed(), Seed: 1}
//	results := ward.Run(10_000, nil)
//	fmt.Print(simulation.Summarise(results).BandTime.Median)
package simulation
