package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"slices"
	"sync"

	"fhirsvc/internal/delivery"
	"fhirsvc/internal/delivery/push"
	"fhirsvc/internal/fhir/profiles"
	"fhirsvc/internal/fhir/validate"
)

// readDestinations reads the site's list of external FHIR servers; none without a file.
func readDestinations(file string) ([]push.Destination, error) {
	if file == "" {
		return nil, nil
	}
	text, err := os.ReadFile(file)
	if err != nil {
		return nil, usageError{fmt.Errorf("FHIRSVC_DESTINATIONS: %w", err)}
	}
	all, err := push.ParseDestinations(text)
	if err != nil {
		return nil, usageError{fmt.Errorf("FHIRSVC_DESTINATIONS: %w", err)}
	}
	return all, nil
}

// joinDestinations makes what delivers to each destination, and warns of those that the store
// still queues for and nobody serves any more.
func joinDestinations(ctx context.Context, o joinOptions, base string) ([]*delivery.Deliverer, error) {
	var all []*delivery.Deliverer
	var faults []error
	var names []string
	validator := validate.New(profiles.Incoming()) // what others entered need not fit the profiles
	for _, d := range o.destinations {
		names = append(names, d.Name)
		carrier, err := push.NewCarrier(push.Options{Destination: d, Store: o.store, Validator: validator, Base: base, Log: o.log, Traces: o.watch.spans()})
		if err != nil {
			faults = append(faults, err)
			continue
		}
		all = append(all, delivery.NewDeliverer(o.store, carrier, o.log))
	}
	if faults != nil {
		return nil, usageError{fmt.Errorf("FHIRSVC_DESTINATIONS: %w", errors.Join(faults...))}
	}
	known, err := o.store.Destinations(ctx)
	if err != nil {
		return nil, err
	}
	for _, name := range known {
		if !slices.Contains(names, name) {
			o.log.Warn("changes are queued for a destination that is not configured; 'fhirsvc outbox end' forgets it", "destination", name)
		}
	}
	return all, nil
}

// deliver runs the deliverers.
func (n *node) deliver(ctx context.Context) {
	var all sync.WaitGroup
	for _, d := range n.deliverers {
		all.Go(func() { d.Run(ctx) })
	}
	all.Wait()
}

// tell wakes those who have something to tell after changes were matched.
func (n *node) tell() {
	n.notifier.Wake()
	for _, d := range n.deliverers {
		d.Wake()
	}
}
