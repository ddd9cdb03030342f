package episode

import (
	"fmt"
	"slices"
	"time"

	"fhirsvc/internal/fhir"
	"fhirsvc/internal/store"
)

// sharedVersion is one that belongs to no single episode, each with a Provenance of its own:
// it stays when the episode goes, and it says from when the version is.
type sharedVersion struct {
	at       int // index in changes.Resources
	occurred time.Time
}

// isShared reports whether a resource of the changeset is shared.
func (d *draft) isShared(at int) bool {
	return slices.ContainsFunc(d.shared, func(s sharedVersion) bool { return s.at == at })
}

// provenance says who and what led to the resource versions, where there are any.
func (d *draft) provenance() error {
	own := d.changes.Resources
	if len(d.shared) > 0 {
		own = nil
		for i, r := range d.changes.Resources {
			if !d.isShared(i) {
				own = append(own, r)
			}
		}
	}
	for _, s := range d.shared {
		o := fhir.Origin{Occurred: s.occurred}
		if err := d.originate(d.changes.Resources[s.at:s.at+1], o, d.s.plainContext(), 0); err != nil {
			return err
		}
	}
	if len(own) == 0 {
		return nil
	}
	var seq int64
	if len(d.changes.Episodes) > 0 {
		seq = d.changes.Episodes[0].Input.Seq
	}
	o := fhir.Origin{Occurred: d.occurred, Author: d.author, Source: d.entry, SourceIdentifier: d.source}
	return d.originate(own, o, d.context, seq)
}

// originate adds the Provenance of resource versions.
func (d *draft) originate(resources []store.Resource, o fhir.Origin, c fhir.Context, seq int64) error {
	o.Recorded, o.Update = d.at, true
	for _, r := range resources {
		o.Targets = append(o.Targets, versioned(r))
		o.Update = o.Update && r.Follows() > 0
	}
	first := resources[0]
	id := d.s.ids.provenance(first.Type, first.ID, first.Version)
	body, err := fhir.RenderProvenance(o, c, fhir.Version{ID: id, Number: 1, At: d.at})
	if err != nil {
		return fmt.Errorf("render Provenance %s: %w", id, err)
	}
	unit := first.Unit
	if unit == "" {
		unit = d.unit
	}
	d.putOwn(store.Resource{Type: "Provenance", ID: id, Version: 1, Unit: unit, Episode: first.Episode, Body: body}, seq)
	return nil
}
