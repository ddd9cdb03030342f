// Package telemetry gathers what the service tells of itself: metrics in the form of
// Prometheus, and traces sent by OTLP. docs/metrics.md lists them all; a test compares.
//
// The rooms don't know it: each names what it wants to tell as a small interface, which
// Metrics offers. It knows OpenTelemetry and Prometheus. It must not know any rule, and no
// label ever names a patient, a person, a resource or a unit.
//
//	m := telemetry.NewMetrics(version)
//	intake, err := events.NewIntake(ctx, js, events.IntakeOptions{Watch: m, …})
//	http.Handle("/metrics", m.Handler())
package telemetry
