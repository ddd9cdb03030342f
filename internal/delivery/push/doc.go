// Package push carries an episode's changes to an external FHIR R4 server: as transaction
// Bundles, so that what one input changed arrives whole, with conditional updates by
// business identifier for what the server has not got yet and If-Match for what it has.
//
// It knows HTTP, OAuth and how copies are found, compared and written; it must not know
// queues, leases or any clinical rule. Nothing is sent that is not stored, and what others
// wrote there is not replaced unless a person says so.
//
//	carrier, err := push.NewCarrier(push.Options{Destination: d, Store: st, Validator: v, Base: base})
//	settlement, err := carrier.Carry(ctx, claim)
package push
