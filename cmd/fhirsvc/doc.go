// Command fhirsvc holds the clock of a radial compression band: it hears of a finished
// procedure, plans the stepwise release as a CarePlan and Tasks, takes bedside findings
// as Observations and tells what is due next.
//
// This package knows flags, configuration, the order of starting and stopping, and how
// the rooms are joined; it must not know any rule.
//
//	fhirsvc sandbox --play
package main
