// Package fhir is the mapping between the core and FHIR R4 (4.0.1,
// hl7.org/fhir/R4): codes and units, resources in, resources out. Everything in it is
// a function over values.
//
// It knows R4 element names, code systems, how a Task or plan of the core is written as
// a resource with its narrative, and how a protocol is read from a PlanDefinition. It
// must not know SQL, NATS, HTTP, the wall clock, or when anything is due.
//
//	c := fhir.Context{Episode: id, Refs: refs, Protocol: protocol, TaskID: taskID}
//	body, err := fhir.RenderTask(task, c, fhir.Version{ID: taskID(task.Key), Number: 3, At: now})
package fhir
