package workflow_test

import (
	"flag"
	"fmt"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"fhirsvc/internal/workflow"
)

var modelReach = flag.Int("model.reach", 0, "from every start, any two of the essential inputs with up to so many inputs of ordinary nursing between them, each course nursed to its end; 0 is what CI does")

// longest is how many inputs ordinary nursing may need to finish an episode.
const longest = 120

// node is a state that the walk has reached, and how.
type node struct {
	*bed   // nil when nothing is stepped from it any more
	key    [16]byte
	parent *node
	in     workflow.Input
	depth  int
	kept   bool
	since  int // inputs of ordinary nursing since another one
}

// walk explores an episode: from each state reached, one input after another, and
// ordinary nursing from each of the states that these lead to. Its levels are counted by
// the inputs that were not ordinary nursing, so that level n holds every course of events
// with n of them at any points.
type walk struct {
	alphabet func(b *bed) []workflow.Input
	rules    []rule
	seen     map[[16]byte]*node
	next     map[[16]byte][16]byte // by ordinary nursing
	ended    map[[16]byte]bool
	breaches map[string]*breach
	moves    int
	deepest  int
	keep     bool // the states of this level are stepped from again
	// reach is how many inputs of ordinary nursing may lie between two others, and every
	// nth state of the second level and above is nursed to the end; zero: no such limits.
	reach int
	nth   int
}

// breach is one way in which a rule was broken, with the shortest course that led there.
type breach struct {
	rule  rule
	text  string
	count int
	at    *node
}

func newWalk(alphabet func(b *bed) []workflow.Input) *walk {
	return &walk{
		alphabet: alphabet, rules: rules(), seen: map[[16]byte]*node{}, next: map[[16]byte][16]byte{},
		ended: map[[16]byte]bool{}, breaches: map[string]*breach{},
	}
}

// step is what one input led to.
type step struct {
	node   *node
	broken []breach
	nursed bool
	ended  bool
}

// run walks from the start to the level.
func (w *walk) run(start bed, level int) {
	first := &node{bed: &start, key: workflow.ModelKey(&start.e)}
	w.seen[first.key] = first
	w.keep = level > 0
	frontier := w.nurse([]*node{first})
	for n := 1; n <= level; n++ {
		w.keep = n < level
		var fresh []*node
		for chunk := range slices.Chunk(frontier, 32) {
			if fresh = append(fresh, w.merge(w.parallel(chunk, w.deviate))...); n > 1 && !w.keep {
				fresh = w.thin(fresh)
			}
		}
		frontier = slices.DeleteFunc(w.nurse(fresh), func(n *node) bool { return w.reach > 0 && n.since > w.reach })
	}
}

// thin keeps every nth state to be nursed, and lets the others go: they are checked.
func (w *walk) thin(fresh []*node) []*node {
	if w.nth == 0 {
		return fresh
	}
	var kept []*node
	for _, n := range fresh {
		if n.kept || n.key[0]%byte(w.nth) == 0 {
			n.kept = true
			kept = append(kept, n)
			continue
		}
		n.bed = nil
	}
	return kept
}

// nurse goes on with ordinary nursing from each state until nothing new is reached, and
// gives all states.
func (w *walk) nurse(frontier []*node) []*node {
	all := slices.Clone(frontier)
	for len(frontier) > 0 {
		var fresh []*node
		for chunk := range slices.Chunk(frontier, 4096) {
			fresh = append(fresh, w.merge(w.parallel(chunk, w.ordinary))...)
			if !w.keep {
				for _, n := range chunk {
					n.bed = nil
				}
			}
		}
		all = append(all, fresh...)
		frontier = fresh
	}
	return all
}

// parallel steps from each of the states; the order of the answers is that of the states.
func (w *walk) parallel(list []*node, from func(n *node) []step) []step {
	const workers = 2
	answers := make([][]step, len(list))
	var wg sync.WaitGroup
	for k := range workers {
		wg.Go(func() {
			for i := k; i < len(list); i += workers {
				answers[i] = from(list[i])
			}
		})
	}
	wg.Wait()
	return slices.Concat(answers...)
}

func (w *walk) deviate(n *node) []step {
	var steps []step
	for i, in := range w.alphabet(n.bed) {
		steps = append(steps, w.try(n, in, (i+n.depth)%8 == 0))
	}
	return steps
}

func (w *walk) ordinary(n *node) []step {
	if n.finished() {
		return []step{{node: n, ended: true}}
	}
	in := n.nurse()
	if in == nil || n.depth > longest {
		return []step{{node: n, broken: []breach{{rule: liveness, text: "nothing is left that a nurse could do or wait for"}}}}
	}
	s := w.try(n, in, n.depth%8 == 0)
	s.nursed, s.node.since = true, n.since+1
	return []step{s}
}

var liveness = rule{number: 4, name: "ordinary nursing finishes the episode"}

// try takes one input and holds the move against all rules.
func (w *walk) try(from *node, in workflow.Input, again bool) step {
	m, after := from.take(in)
	m.again = again
	s := step{node: &node{bed: &after, parent: from, in: in, depth: from.depth + 1}}
	for _, r := range w.rules {
		if text := r.check(m); text != "" {
			s.broken = append(s.broken, breach{rule: r, text: text})
		}
	}
	s.node.key = workflow.ModelKey(&after.e)
	if w.seen[s.node.key] != nil {
		s.node.bed = nil // known already
	}
	return s
}

// merge counts the steps and keeps the states that are new.
func (w *walk) merge(steps []step) []*node {
	var fresh []*node
	for _, s := range steps {
		for _, b := range s.broken {
			w.report(b, s.node)
		}
		if s.ended {
			w.ended[s.node.key] = true
			continue
		}
		if s.node.parent == nil {
			continue
		}
		w.moves++
		if s.nursed {
			w.next[s.node.parent.key] = s.node.key
		}
		if w.seen[s.node.key] != nil {
			continue
		}
		w.seen[s.node.key] = s.node
		w.deepest = max(w.deepest, s.node.depth)
		fresh = append(fresh, s.node)
	}
	return fresh
}

var numbers = regexp.MustCompile(`[0-9][0-9:.+µsmh]*`)

func (w *walk) report(b breach, at *node) {
	key := b.rule.name + numbers.ReplaceAllString(b.text, "#")
	old := w.breaches[key]
	if old == nil {
		b.count, b.at = 1, at
		w.breaches[key] = &b
		return
	}
	old.count++
	if at.depth < old.at.depth {
		old.at, old.text = at, b.text
	}
}

// checkLiveness: from each state, ordinary nursing reaches an end.
func (w *walk) checkLiveness() {
	live := map[[16]byte]bool{}
	for key, n := range w.seen {
		var path [][16]byte
		onPath := map[[16]byte]bool{}
		at, ok := key, true
		for ok && !live[at] && !w.ended[at] && !onPath[at] {
			path, onPath[at] = append(path, at), true
			at, ok = w.next[at]
		}
		if ok && !live[at] && !w.ended[at] {
			w.report(breach{rule: liveness, text: "ordinary nursing goes round in circles"}, n)
			continue
		}
		for _, k := range path {
			live[k] = true
		}
	}
}

// course tells how a state was reached, as a bedside story.
func (n *node) course() string {
	var lines []string
	for at := n; at != nil && at.in != nil; at = at.parent {
		lines = append(lines, "    "+say(at.in))
	}
	slices.Reverse(lines)
	return strings.Join(lines, "\n")
}

// faults tells what was broken, the shortest course first, a few of each rule.
func (w *walk) faults() string {
	var list []*breach
	for _, b := range w.breaches {
		list = append(list, b)
	}
	slices.SortFunc(list, func(a, b *breach) int {
		if a.rule.number != b.rule.number {
			return a.rule.number - b.rule.number
		}
		if a.at.depth != b.at.depth {
			return a.at.depth - b.at.depth
		}
		return strings.Compare(a.text, b.text)
	})
	shown := map[string]int{}
	var text strings.Builder
	for _, b := range list {
		if shown[b.rule.name]++; shown[b.rule.name] <= 4 {
			fmt.Fprintf(&text, "rule %d: %s: %s (%d times)\n%s\n", b.rule.number, b.rule.name, b.text, b.count, b.at.course())
		}
	}
	return text.String()
}

// everything is every input that the model has.
func everything(b *bed) []workflow.Input {
	return slices.Concat(b.inTime(), b.outOfOrder(), b.refused())
}

// TestModelCheck walks from each start. By default: every input once at any point of an
// episode of the small protocols, the essential ones at any point of every other start,
// and of the essential ones any two within two inputs of ordinary nursing. With -short the
// essential ones once, and all of them for the first start.
func TestModelCheck(t *testing.T) {
	for i, s := range modelStarts() {
		t.Run(s.name, func(t *testing.T) {
			switch {
			case *modelReach > 0:
				pairs := newWalk(essential)
				pairs.reach = *modelReach
				s.check(t, pairs, 2)
			case testing.Short() && i > 0 || !s.whole:
				s.check(t, newWalk(essential), 1)
			case testing.Short():
				s.check(t, newWalk(everything), 1)
			default:
				s.check(t, newWalk(everything), 1)
				pairs := newWalk(essential)
				pairs.reach, pairs.nth = 2, 16
				s.check(t, pairs, 2)
			}
		})
	}
}

func (s modelStart) check(t *testing.T, w *walk, level int) {
	t.Helper()
	began := time.Now()
	w.run(s.bed(t), level)
	w.checkLiveness()
	t.Logf("%d states, %d transitions, up to %d inputs deep, %d beside ordinary nursing, %s",
		len(w.seen), w.moves, w.deepest, level, time.Since(began).Round(time.Millisecond))
	if len(w.breaches) > 0 {
		t.Error("\n" + w.faults())
	}
	for _, b := range w.breaches {
		t.Logf("broken: rule %d: %s: %s", b.rule.number, b.rule.name, numbers.ReplaceAllString(b.text, "#"))
	}
}
