// Package bench measures the validator beside others: how many resources each gets
// through, how long the slow ones take, what it allocates, when it is ready and what
// memory it holds. Every contender is a program of its own, so that none pays for
// another; it reads the work from a folder, says when it has judged a first resource,
// measures itself, and writes one line of result.
//
// It knows how the programs are spoken to and what is counted. It must not know how any
// of them validates, and must not be imported by the service.
//
//	err := work.Write("work")
//	sample, err := bench.Contender{Name: "fhirsvc", Command: []string{"./ours"}}.Run(ctx, "work")
package bench
