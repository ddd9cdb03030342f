package validate

import (
	"sync"

	"fhirsvc/internal/fhir/definitions"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/tree"
)

// Options say how to validate. The zero value checks against R4 as published.
type Options struct {
	// Limits bound the content's size and depth.
	Limits tree.Limits
	// MaxIssues bounds the errors of one resource, and the remarks; default 200 each.
	MaxIssues int
	// Guide holds profiles and value sets beyond the published ones; those of the same
	// URL win. A profile applies where meta.profile names it and as Require, Coded and
	// Select say.
	Guide definitions.Guide
	// BestPractice reports what R4 calls best practice (dom-6) as warnings.
	BestPractice bool
	// Require names profiles that every resource of a type must fit, by type name.
	Require map[string][]string
	// Coded names the profile that an Observation with a code must fit, by
	// "system|code", beside R4's own vital signs.
	Coded map[string]string
	// Select names the profile that a resource must fit by what else it says, "" for
	// none. It is asked for every resource, and must not keep it.
	Select func(resource *tree.Node) string
	// Advise makes faults against the Guide's profiles warnings, whoever asked for
	// them, and puts the profile's URL and "#" before the rule.
	Advise bool
}

const defaultIssues = 200

// Validator checks resources. It is safe for concurrent use.
type Validator struct {
	options  Options
	schema   *schema
	profiles map[string]*definitions.Profile
	rules    sync.Map // *definitions.Rule or *definitions.Profile to its compiled form
	walkers  sync.Pool
}

// New makes a Validator. Types are prepared when they are first met. It panics when
// the options ask for a profile that is not known or is of another type.
func New(options Options) *Validator {
	if options.MaxIssues <= 0 {
		options.MaxIssues = defaultIssues
	}
	v := &Validator{options: options, profiles: map[string]*definitions.Profile{}}
	v.schema = newSchema(definitions.R4(), options.Guide)
	for _, p := range options.Guide.Profiles {
		v.profiles[p.URL] = p
	}
	for typeName, urls := range options.Require {
		for _, url := range urls {
			v.mustKnow(url, typeName)
		}
	}
	for _, url := range options.Coded {
		v.mustKnow(url, "Observation")
	}
	v.walkers.New = func() any { return newWalker(v) }
	return v
}

func (v *Validator) mustKnow(url, typeName string) {
	if p := v.profile(url); p == nil || p.Type != typeName {
		panic("validate: no profile of " + typeName + " is known as " + url)
	}
}

// Resource gives the faults of one resource in JSON, in the order of the text; none
// when it is valid. Warnings and information are among them.
func (v *Validator) Resource(body []byte) []outcome.Issue {
	return v.Lend(body, func(*tree.Node) {})
}

// Lend is Resource, and lets use read the resource, which it must not keep, so that a text is
// parsed once for both. Use is called for each text that can be parsed, valid or not.
func (v *Validator) Lend(body []byte, use func(resource *tree.Node)) []outcome.Issue {
	w := v.walkers.Get().(*walker)
	doc, issues := w.reader.Read(body, v.options.Limits)
	if doc != nil {
		issues = w.check(doc, issues)
		use(doc.Root)
	}
	w.end()
	v.walkers.Put(w)
	return issues
}

// Document is Resource and gives the parsed text as well, nil when it cannot be read.
func (v *Validator) Document(body []byte) (*tree.Document, []outcome.Issue) {
	doc, issues := tree.ParseWithin(body, v.options.Limits)
	if doc == nil {
		return nil, issues
	}
	return doc, v.parsed(doc, issues)
}

// Parsed gives the faults of a document that was parsed before, those of its JSON
// apart, which the parser gave.
func (v *Validator) Parsed(doc *tree.Document) []outcome.Issue { return v.parsed(doc, nil) }

func (v *Validator) parsed(doc *tree.Document, issues []outcome.Issue) []outcome.Issue {
	w := v.walkers.Get().(*walker)
	issues = w.check(doc, issues)
	w.end()
	v.walkers.Put(w)
	return issues
}
