// Package bedside plays the people around a band: the EHR that tells of a procedure, the
// nurse at the bedside and the clinician who is asked. It speaks to a running service
// over the wire alone, as a charting screen would: events over JetStream, all else over
// FHIR REST.
//
// It knows the published contract and one invented patient; it must not know how the
// service is built or what it will plan. What is due it reads from the Tasks.
//
//	client, err := bedside.Dial(httpURL, natsURL)
//	err = bedside.Play(ctx, client, bedside.Smooth(1), os.Stdout)
package bedside
