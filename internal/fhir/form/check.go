package form

import (
	"fmt"

	"github.com/cockroachdb/apd/v3"

	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/tree"
)

// Check holds a response, which is valid R4, to the Questionnaire: every linkId, the place
// and type of each answer, what is required, options, limits. path is the FHIRPath of the
// response; each issue is at the item or answer that it is about.
func (f *Form) Check(response *tree.Node, path string) []outcome.Issue {
	c := checker{complete: finished(response.Str("status"))}
	c.items(f.items, response, path)
	return c.issues
}

// finished reports whether all that is required must be there: R4 wants that of a response
// that is completed, and of one that was completed and changed.
func finished(status string) bool { return status == "completed" || status == "amended" }

// Charts reports whether findings are made of a response of this status.
func Charts(status string) bool { return finished(status) }

type checker struct {
	complete bool
	issues   []outcome.Issue
}

func (c *checker) fault(code outcome.Code, at, format string, args ...any) {
	c.issues = append(c.issues, outcome.Errorf(code, at, format, args...))
}

// items checks the items below one of the response against those of the Questionnaire.
func (c *checker) items(asked []*item, parent *tree.Node, path string) {
	seen := map[string]bool{}
	i := 0
	for n := range parent.Get("item").Items() {
		at := fmt.Sprintf("%s.item[%d]", path, i)
		i++
		link := n.Str("linkId")
		x := find(asked, link)
		switch {
		case x == nil:
			c.fault(outcome.CodeInvalid, at+".linkId", "the questionnaire has no item %q here", link)
			continue
		case seen[link]:
			c.fault(outcome.CodeInvalid, at+".linkId", "the item %q stands here twice", link)
			continue
		}
		seen[link] = true
		c.item(x, n, at)
	}
	for _, x := range asked {
		if c.complete && x.required && !seen[x.link] {
			c.fault(outcome.CodeRequired, path+".item", "the item %q needs an answer", x.link)
		}
	}
}

func find(asked []*item, link string) *item {
	for _, x := range asked {
		if x.link == link {
			return x
		}
	}
	return nil
}

func (c *checker) item(x *item, n *tree.Node, at string) {
	answers := n.Get("answer")
	switch x.kind {
	case "group":
		if answers != nil {
			c.fault(outcome.CodeStructure, at+".answer", "%q is a group: its questions are answered, not itself", x.link)
		}
		c.items(x.items, n, at)
		return
	case "display":
		if answers != nil || n.Get("item") != nil {
			c.fault(outcome.CodeStructure, at, "%q is for reading alone", x.link)
		}
		return
	}
	if n.Get("item") != nil {
		c.fault(outcome.CodeStructure, at+".item", "what belongs to the question %q stands in its answer", x.link)
	}
	if answers == nil && x.required && c.complete {
		c.fault(outcome.CodeRequired, at+".answer", "the item %q needs an answer", x.link)
	}
	k := 0
	for a := range answers.Items() {
		here := fmt.Sprintf("%s.answer[%d]", at, k)
		if k++; k == 2 && !x.repeats {
			c.fault(outcome.CodeInvalid, here, "the item %q has one answer", x.link)
		}
		c.answer(x, a, here)
		c.items(x.items, a, here)
	}
}

// answer checks the type of a value, and the value.
func (c *checker) answer(x *item, a *tree.Node, at string) {
	element := kinds()[x.kind]
	v := a.Get(element)
	if v == nil {
		c.fault(outcome.CodeInvalid, at+".value", "the item %q is answered by a %s", x.link, element)
		return
	}
	if x.kind == "choice" && !x.offers(v) {
		c.fault(outcome.CodeCodeInvalid, at+".value", "this is none of the options of %q", x.link)
	}
	if x.kind == "decimal" || x.kind == "integer" {
		if x.least != nil && less(v, x.least) || x.most != nil && less(x.most, v) {
			c.fault(outcome.CodeValue, at+".value", "%s is outside the limits of %q", v.Text, x.link)
		}
	}
}

func (x *item) offers(v *tree.Node) bool {
	if x.among != nil {
		return x.among(v.Str("system"), v.Str("code"))
	}
	for _, o := range x.options {
		if o.Str("system") == v.Str("system") && o.Str("code") == v.Str("code") {
			return true
		}
	}
	return false
}

// less compares two numbers as they are written.
func less(a, b *tree.Node) bool {
	x, _, errX := apd.NewFromString(a.Text)
	y, _, errY := apd.NewFromString(b.Text)
	return errX == nil && errY == nil && x.Cmp(y) < 0
}
