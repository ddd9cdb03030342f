package fhir

import (
	"slices"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/tree"
)

// beside reads what came with a procedure. A fault in one entry drops that entry alone.
func (d *decoder) beside(procedure *bundleEntry) {
	for i := range d.entries {
		b := &d.entries[i]
		if _, known := d.kept[b]; known || b == procedure {
			continue
		}
		switch kind := b.resource.Str("resourceType"); kind {
		case "MessageHeader", "Location", "Organization", "BodyStructure", "PractitionerRole", "Medication":
			// Read where something refers to it; not kept.
		case "Practitioner":
			d.keepSound(b)
		case "Observation", "MedicationAdministration", "Device", "ServiceRequest":
			d.companion(b)
		default:
			d.warn(outcome.Warnf(outcome.CodeNotSupported, b.path(), "this %s was not kept: nothing in the event refers to it, or its type is not taken in", kind))
		}
	}
}

// keep puts an entry among those that are stored.
func (d *decoder) keep(b *bundleEntry) {
	if _, known := d.kept[b]; known {
		return
	}
	if d.kept == nil {
		d.kept = map[*bundleEntry]int{}
	}
	d.kept[b] = len(d.notice.Entries)
	e := Entry{
		Type: b.resource.Str("resourceType"), Path: b.path(),
		Identifiers: readIdentifiers(b.resource), Body: []byte(d.doc.Raw(b.resource)),
	}
	if b.fullURL != "" {
		e.Names = append(e.Names, b.fullURL)
	}
	if id := b.resource.Str("id"); id != "" {
		e.Names = append(e.Names, e.Type+"/"+id)
	}
	d.notice.Entries = append(d.notice.Entries, e)
}

// keepSound keeps a shared resource that can be matched.
func (d *decoder) keepSound(b *bundleEntry) {
	faults := slices.Clone(d.faults[b.index])
	if len(readIdentifiers(b.resource)) == 0 {
		faults = append(faults, outcome.Errorf(outcome.CodeRequired, b.path()+".identifier", "an identifier with a value is needed to match the %s", b.resource.Str("resourceType")))
	}
	if len(faults) > 0 {
		d.drop(b, faults)
		return
	}
	d.keep(b)
}

// drop leaves an entry out: its faults become warnings, and the plan is told.
func (d *decoder) drop(b *bundleEntry, faults []outcome.Issue) {
	kind := b.resource.Str("resourceType")
	for _, i := range faults {
		i.Severity = outcome.SeverityWarning
		i.Details = "this " + kind + " was left out: " + i.Details
		d.warn(i)
	}
	if p := d.notice.Procedure; p != nil {
		for s := range p.Sites {
			p.Sites[s].Event.Dropped = append(p.Sites[s].Event.Dropped, kind+": "+faults[0].Details)
		}
	}
}

// companion reads one entry that says something of the patient's way.
func (d *decoder) companion(b *bundleEntry) {
	r := d.reader(b)
	r.issues = slices.Clone(d.faults[b.index])
	if !d.sameSubject(b) {
		r.fault(outcome.CodeBusinessRule, "subject", r.root.Get("subject"), "it is about another patient than the procedure")
	}
	var tell func(*SiteNotice)
	switch r.root.Str("resourceType") {
	case "Observation":
		tell = d.observation(r)
	case "MedicationAdministration":
		tell = d.dose(r)
	case "Device":
		tell = r.device()
	case "ServiceRequest":
		tell = func(s *SiteNotice) { s.Request = d.kept[b] }
	}
	if outcome.HasErrors(r.issues) {
		d.drop(b, errorsOf(r.issues))
		return
	}
	d.keep(b)
	d.warn(r.issues...)
	if tell == nil {
		return
	}
	for _, i := range d.sitesOf(b) {
		tell(&d.notice.Procedure.Sites[i])
	}
}

// sameSubject reports whether an entry is about the procedure's patient, or names none.
func (d *decoder) sameSubject(b *bundleEntry) bool {
	n := b.resource.Get("subject")
	if b.resource.Str("resourceType") == "Device" {
		n = b.resource.Get("patient")
	}
	if n == nil {
		return true
	}
	ref := readReference(n)
	own := d.notice.Subject
	if e := d.find(ref.Reference); e != nil {
		i, kept := d.kept[e]
		return kept && i == own.Entry
	}
	return ref.Identifier == nil || own.Identifier == nil || ref.Identifier.Token() == own.Identifier.Token()
}

// sitesOf gives the sites that an entry is about: those of its side, all when it states
// none and is about no site, and none, with a warning, when two are possible.
func (d *decoder) sitesOf(b *bundleEntry) []int {
	sites := d.notice.Procedure.Sites
	side := ""
	if n := b.resource.Get("bodySite"); n != nil && b.resource.Str("resourceType") == "Observation" {
		x := readSite(n, finder(d.entries, b.resource))
		side = string(x.side())
	}
	var fit []int
	for i, s := range sites {
		if side == "" || s.Side == "" || string(s.Side) == side {
			fit = append(fit, i)
		}
	}
	if len(fit) > 1 && ofOneSite(b.resource) {
		d.warn(outcome.Warnf(outcome.CodeBusinessRule, b.path()+".bodySite", "two wrists are possible: kept, but counted for neither; state the side"))
		return nil
	}
	return fit
}

// ofOneSite reports whether an entry can only be true of one wrist.
func ofOneSite(n *tree.Node) bool {
	c := readConcept(n.Get("code"))
	return CodeBandAirVolume.In(c) || CodeCompressionStart.In(c)
}

// observation reads what a plan needs to know from the start. Nil: it is only kept.
func (d *decoder) observation(r *reader) func(*SiteNotice) {
	code := readConcept(r.root.Get("code"))
	switch {
	case CodeBandAirVolume.In(code):
		return d.firstVolume(r)
	case CodeCompressionStart.In(code):
		start, ok := readTime(r.root.Get("valueDateTime"))
		if !ok {
			r.fault(outcome.CodeValue, "value", r.root.Get("valueDateTime"), "the start of compression is a time of day with an offset")
		}
		return func(s *SiteNotice) { s.Event.CompressionStart = start }
	case code.Has(SystemLOINC, "6301-6"):
		inr := r.amount(r.root.Get("valueQuantity"), "value", UnitINR, UnitOne, "{ratio}")
		return func(s *SiteNotice) { s.Event.INR = inr }
	case CodeSheathSize.In(code):
		size := r.amount(r.root.Get("valueQuantity"), "value", UnitFrench)
		return func(s *SiteNotice) { s.Event.Sheath = size }
	}
	if f, ok := ReadFinding(code); ok {
		r.warn(outcome.CodeInformational, "code", r.root.Get("code"), "kept with the event; a finding (%s) counts when it is charted as an Observation", f)
	}
	return nil
}

// firstVolume reads the air in the band when compression started, which is the
// Observation's own time.
func (d *decoder) firstVolume(r *reader) func(*SiteNotice) {
	volume := r.amount(r.root.Get("valueQuantity"), "value", milliLitres()...)
	start := r.readTimeAt(r.root, "effectiveDateTime", "effective")
	if start.IsZero() {
		r.warn(outcome.CodeRequired, "effective", r.root.Get("effectiveDateTime"), "effectiveDateTime tells when compression started; without it no release is offered")
	}
	by := ""
	for n := range r.root.Get("performer").Items() {
		by = d.personOf(n)
		break
	}
	titrated := r.titrated()
	return func(s *SiteNotice) {
		s.Event.Volume, s.Event.VolumeBy = volume, by
		s.Event.Titrated = titrated
		if !start.IsZero() {
			s.Event.CompressionStart = start
		}
	}
}

// titrated reads whether the air was already taken down to what holds; nil when that is
// not told. Yes and no are a boolean, HL7's codes (terminology.hl7.org, v2-0136) or
// SNOMED CT's.
func (r *reader) titrated() *bool {
	n := r.component(CodeTitrated)
	if n == nil || n.Get("dataAbsentReason") != nil {
		return nil
	}
	yes := n.Get("valueBoolean").Is(tree.Bool) && n.Get("valueBoolean").Text == "true"
	no := n.Get("valueBoolean").Is(tree.Bool) && !yes
	c := readConcept(n.Get("valueCodeableConcept"))
	yes = yes || c.Has(SystemYesNo, "Y") || c.Has(SystemSNOMED, "373066001")
	no = no || c.Has(SystemYesNo, "N") || c.Has(SystemSNOMED, "373067005")
	if yes == no {
		r.warn(outcome.CodeCodeInvalid, "component.value", n, "titrated is yes or no: taken as not told")
		return nil
	}
	return &yes
}

// device reads the device's own limit.
func (r *reader) device() func(*SiteNotice) {
	i := -1
	for n := range r.root.Get("property").Items() {
		if i++; !CodeBandMaximumVolume.In(readConcept(n.Get("type"))) {
			continue
		}
		limit := r.amount(n.Get("valueQuantity").At(0), "property.valueQuantity", milliLitres()...)
		if limit != nil && limit.Sign() == 0 {
			r.fault(outcome.CodeValue, "property.valueQuantity.value", n, "a band that holds no air has no use")
		}
		return func(s *SiteNotice) { s.Event.BandMaximum = limit }
	}
	return nil
}

// personOf names who is referred to, as far as the message tells.
func (d *decoder) personOf(n *tree.Node) string {
	ref := readReference(n)
	if ref.Display != "" {
		return ref.Display
	}
	if b := d.find(ref.Reference); b != nil {
		return personName(b.resource)
	}
	return ref.Label()
}

// personName is the first name of a Practitioner as a person would write it.
func personName(n *tree.Node) string {
	name := n.Get("name").At(0)
	if t := name.Str("text"); t != "" {
		return t
	}
	full := name.Str("family")
	if given := name.Get("given").At(0); given.Is(tree.String) {
		if full == "" {
			return given.Text
		}
		full = given.Text + " " + full
	}
	return full
}

func milliLitres() []string { return []string{UnitMillilitre, "ml"} }
