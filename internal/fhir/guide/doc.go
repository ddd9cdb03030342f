// Package guide puts what the project publishes together as one FHIR package: what api
// holds, and what follows from the tables of package fhir (activities, messages, the
// map to standard codes, identifiers), with the ImplementationGuide that lists all.
//
// It knows the layout of FHIR packages (hl7.org/fhir/packages.html). It must not know
// files, transport, or when anything is due; what a running service offers it is told.
//
//	p, err := guide.New(capabilityStatement) // as /metadata gives it
//	archive, err := p.Archive()              // the same bytes each time
package guide
