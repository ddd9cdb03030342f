package main

import (
	"context"
	"sync"

	"fhirsvc/internal/fhir/definitions"
	"fhirsvc/internal/fhir/outcome"
	"fhirsvc/internal/fhir/tree"
	"fhirsvc/internal/fhir/validate"
)

// checking checks resources side by side and reports them in the order in which they
// were read.
type checking struct {
	validator *validate.Validator
	held      *definitions.Profile // that was asked for, nil when none was
	workers   int
}

// judgement is one resource under way; done closes when the rest is set.
type judgement struct {
	resource
	issues []outcome.Issue
	held   bool // it has a resource of the type of the profile that was asked for
	done   chan struct{}
}

// check reads the sources to their end and gives what could not be read. Few resources
// are held at a time, however long a file is.
func (c *checking) check(ctx context.Context, s *sources, r *tally) []error {
	const ahead = 4
	ctx, stop := context.WithCancel(ctx)
	defer stop()
	todo := make(chan *judgement)
	inOrder := make(chan *judgement, ahead*c.workers)
	var failed []error
	var running sync.WaitGroup
	running.Go(func() {
		failed = c.feed(ctx, s, todo, inOrder)
	})
	for range c.workers {
		running.Go(func() {
			for j := range todo {
				c.judge(j)
				close(j.done)
			}
		})
	}
	for j := range inOrder {
		<-j.done
		r.add(j)
		if r.writing != nil {
			stop()
		}
	}
	running.Wait()
	r.flush()
	return failed
}

// feed hands each resource to a worker and, in order, to the tally.
func (c *checking) feed(ctx context.Context, s *sources, todo, inOrder chan<- *judgement) []error {
	defer close(todo)
	defer close(inOrder)
	var failed []error
	for _, name := range s.files {
		err := s.read(name, func(r resource) bool {
			j := &judgement{resource: r, done: make(chan struct{})}
			if ctx.Err() != nil {
				return false
			}
			inOrder <- j
			todo <- j
			return true
		})
		if err != nil {
			failed = append(failed, err)
		}
	}
	return failed
}

// judge checks one resource. Lines are counted from the start of its file.
func (c *checking) judge(j *judgement) {
	doc, issues := c.validator.Document(j.body)
	for i := range issues {
		if issues[i].Line > 0 {
			issues[i].Line += j.line - 1
		} else {
			issues[i].Line, issues[i].Col = j.line, 1
		}
	}
	j.issues, j.body = issues, nil
	j.held = c.held != nil && doc != nil && holdsType(doc.Root, c.held.Type)
}

// holdsType reports whether a resource, or one of a Bundle's, is of a type.
func holdsType(n *tree.Node, kind string) bool {
	if n.Str("resourceType") == kind {
		return true
	}
	for e := range n.Get("entry").Items() {
		if e.Get("resource").Str("resourceType") == kind {
			return true
		}
	}
	return false
}
