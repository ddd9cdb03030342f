package site

import (
	"context"
	"errors"
	"fmt"
	"regexp"
	"strings"
	"sync"
	"syscall"
	"time"

	"fhirsvc/internal/fault/link"
)

// fault is something that fails for a while.
type fault struct {
	kind   string
	target int // from 0
	at     time.Duration
	lasts  time.Duration
	step   time.Duration // of a clock
}

func (f fault) String() string {
	text := fmt.Sprintf("%s %d", f.kind, f.target+1)
	if f.step != 0 {
		text += fmt.Sprintf(" by %s", f.step)
	}
	return fmt.Sprintf("%s at %.1fs for %.1fs", text, f.at.Seconds(), f.lasts.Seconds())
}

// kind is a kind of fault: of how many things it can be, and what begins and ends it.
type kind struct {
	name    string
	targets int
	longest time.Duration
	disk    bool // it needs a file system of our own
	clock   bool // it needs a database whose clock can be turned
	begin   func(s *site, f fault) error
	end     func(s *site, f fault) error
}

const clockOfDatabase = "step clock of database"

// kinds are all faults. What ends one leaves its target as it was.
func kinds() []kind {
	store := func(s *site, f fault) *link.Link { return s.replicas[f.target].store }
	return []kind{
		{name: "kill replica", targets: replicas, longest: 2 * time.Second, begin: func(s *site, f fault) error {
			s.replicas[f.target].process.kill()
			return nil
		}, end: func(s *site, f fault) error { return s.replicas[f.target].start(s.name) }},
		{name: "stop replica", targets: replicas, longest: time.Second, begin: func(s *site, f fault) error {
			if r := s.replicas[f.target]; !r.process.hasEnded() {
				return r.stop()
			}
			return nil // it had not come up after an earlier fault
		}, end: func(s *site, f fault) error { return s.replicas[f.target].start(s.name) }},
		{name: "pause replica", targets: replicas, longest: 3500 * time.Millisecond, begin: func(s *site, f fault) error {
			s.replicas[f.target].process.signal(syscall.SIGSTOP)
			return nil
		}, end: func(s *site, f fault) error {
			s.replicas[f.target].process.signal(syscall.SIGCONT)
			return nil
		}},
		{name: "step clock of replica", targets: replicas, longest: 2500 * time.Millisecond, begin: func(s *site, f fault) error {
			return s.replicas[f.target].step(f.step)
		}, end: func(s *site, f fault) error { return s.replicas[f.target].step(0) }},

		{name: "kill database", targets: 1, longest: 1500 * time.Millisecond, begin: func(s *site, _ fault) error {
			s.database.process.kill()
			return nil
		}, end: func(s *site, _ fault) error { return s.database.start() }},
		{name: "pause database", targets: 1, longest: 2500 * time.Millisecond, begin: func(s *site, _ fault) error {
			s.database.process.signal(syscall.SIGSTOP)
			return nil
		}, end: func(s *site, _ fault) error {
			s.database.process.signal(syscall.SIGCONT)
			return nil
		}},
		{name: "fill disk of database", targets: 1, longest: 1500 * time.Millisecond, disk: true, begin: func(s *site, _ fault) error {
			return s.database.disk.fill()
		}, end: endFull},
		{name: "cut power of database", targets: 1, longest: 500 * time.Millisecond, disk: true, begin: func(s *site, _ fault) error {
			return s.database.disk.cut()
		}, end: func(s *site, _ fault) error {
			s.database.process.kill()
			return errors.Join(s.database.disk.back(), s.database.start())
		}},

		{name: clockOfDatabase, targets: 1, longest: 2500 * time.Millisecond, clock: true, begin: func(s *site, f fault) error {
			return s.database.step(f.step)
		}, end: func(s *site, _ fault) error { return s.database.step(0) }},

		{name: "kill broker", targets: nodes, longest: 1500 * time.Millisecond, begin: func(s *site, f fault) error {
			s.cluster[f.target].process.kill()
			return nil
		}, end: func(s *site, f fault) error { return s.cluster[f.target].start() }},
		{name: "pause broker", targets: nodes, longest: 3 * time.Second, begin: func(s *site, f fault) error {
			s.cluster[f.target].process.signal(syscall.SIGSTOP)
			return nil
		}, end: func(s *site, f fault) error {
			s.cluster[f.target].process.signal(syscall.SIGCONT)
			return nil
		}},
		{name: "cut broker off the others", targets: nodes, longest: 3 * time.Second, begin: routes(link.Cut), end: routes(link.Passing)},
		{name: "swallow routes of broker", targets: nodes, longest: 6 * time.Second, begin: routes(link.Swallowing), end: routes(link.Passing)},
		{name: "fill disk of broker", targets: nodes, longest: 1500 * time.Millisecond, disk: true, begin: func(s *site, f fault) error {
			return s.cluster[f.target].disk.fill()
		}, end: func(s *site, f fault) error { // a node that finds its disk full gives JetStream up until it is started again
			b := s.cluster[f.target]
			b.process.kill()
			return errors.Join(b.disk.free(), b.start())
		}},
		{name: "cut power of broker", targets: nodes, longest: 500 * time.Millisecond, disk: true, begin: func(s *site, f fault) error {
			return s.cluster[f.target].disk.cut()
		}, end: func(s *site, f fault) error {
			b := s.cluster[f.target]
			b.process.kill()
			return errors.Join(b.disk.back(), b.start())
		}},
		{name: "cut power of all", targets: 1, longest: 300 * time.Millisecond, disk: true, begin: beginDark, end: endDark},

		{name: "cut database off replica", targets: replicas, longest: 2 * time.Second, begin: func(s *site, f fault) error {
			store(s, f).Set(link.Cut)
			return nil
		}, end: func(s *site, f fault) error {
			store(s, f).Set(link.Passing)
			return nil
		}},
		{name: "slow database for replica", targets: replicas, longest: 3 * time.Second, begin: func(s *site, f fault) error {
			store(s, f).Set(link.Slow)
			return nil
		}, end: func(s *site, f fault) error {
			store(s, f).Set(link.Passing)
			return nil
		}},
		{name: "swallow database of replica", targets: replicas, longest: 3 * time.Second, begin: func(s *site, f fault) error {
			store(s, f).Set(link.Swallowing)
			return nil
		}, end: func(s *site, f fault) error {
			store(s, f).Set(link.Passing)
			return nil
		}},
		{name: "forget database connections of replica", targets: replicas, longest: time.Second, begin: func(s *site, f fault) error {
			store(s, f).Lose()
			return nil
		}, end: func(*site, fault) error { return nil }},
		{name: "cut brokers off replica", targets: replicas, longest: 2 * time.Second, begin: brokerLinks(link.Cut), end: brokerLinks(link.Passing)},
		{name: "slow brokers for replica", targets: replicas, longest: 3 * time.Second, begin: brokerLinks(link.Slow), end: brokerLinks(link.Passing)},
		{name: "swallow brokers of replica", targets: replicas, longest: 3 * time.Second, begin: brokerLinks(link.Swallowing), end: brokerLinks(link.Passing)},
		{name: "forget broker connections of replica", targets: replicas, longest: time.Second, begin: func(s *site, f fault) error {
			for _, p := range s.replicas[f.target].brokers {
				p.Lose()
			}
			return nil
		}, end: func(*site, fault) error { return nil }},
	}
}

func brokerLinks(m link.Manner) func(s *site, f fault) error {
	return func(s *site, f fault) error {
		for _, p := range s.replicas[f.target].brokers {
			p.Set(m)
		}
		return nil
	}
}

func routes(m link.Manner) func(s *site, f fault) error {
	return func(s *site, f fault) error {
		s.cluster.part(f.target, m)
		return nil
	}
}

// endFull makes room. A server that could not write its log has ended, or ends now.
func endFull(s *site, _ fault) error {
	if err := s.database.disk.free(); err != nil {
		return err
	}
	if err := eventually(3*time.Second, "it answers", s.database.answers); err == nil {
		return nil
	}
	s.database.process.kill()
	return s.database.start()
}

// beginDark takes the power from all that keeps anything.
func beginDark(s *site, _ fault) error {
	err := s.database.disk.cut()
	for _, b := range s.cluster {
		err = errors.Join(err, b.disk.cut())
	}
	return err
}

func endDark(s *site, _ fault) error {
	s.database.process.kill()
	for _, b := range s.cluster {
		b.process.kill()
	}
	var err error
	for _, b := range s.cluster {
		err = errors.Join(err, b.disk.back(), b.start())
	}
	return errors.Join(err, s.database.disk.back(), s.database.start())
}

// can reports whether a fault of this kind is possible here.
func (s *site) can(k kind) bool {
	return (!k.disk || s.database.disk.can()) && (!k.clock || s.database.clock != "")
}

// turned is by how much the database's clock is stepped in all.
func turned(faults []fault) (sum time.Duration) {
	for _, f := range faults {
		if f.kind == clockOfDatabase {
			sum += f.step.Abs()
		}
	}
	return sum
}

// drawFaults draws one to three faults of the kinds that match.
func drawFaults(seed uint64, can func(kind) bool, match *regexp.Regexp) []fault {
	d := newDice(seed, "faults")
	var possible []kind
	for _, k := range kinds() {
		if can(k) && match.MatchString(k.name) {
			possible = append(possible, k)
		}
	}
	var list []fault
	for range 1 + d.n(3) {
		k := possible[d.n(len(possible))]
		f := fault{kind: k.name, target: d.n(k.targets), at: d.between(300*time.Millisecond, 3*time.Second), lasts: d.between(100*time.Millisecond, k.longest)}
		if strings.HasPrefix(k.name, "step clock") {
			f.step = d.between(200*time.Millisecond, 20*time.Second).Round(time.Millisecond)
			if d.one(2) {
				f.step = -f.step
			}
		}
		list = append(list, f)
	}
	return list
}

// aimed draws a fault that hits a replica while it has in its hands what falls due so long
// after the run has begun: timers look four times a second at least, and are done soon after.
func aimed(seed uint64, due time.Duration) fault {
	d := newDice(seed, "aimed")
	kinds := []string{"kill replica", "pause replica", "swallow database of replica", "forget database connections of replica"}
	return fault{
		kind: kinds[d.n(len(kinds))], target: d.n(replicas), at: due + d.between(0, 150*time.Millisecond),
		lasts: d.between(500*time.Millisecond, 2*time.Second),
	}
}

// things names what a fault takes hold of: two faults of one thing come one after the other.
func (f fault) things() []string {
	switch {
	case f.kind == "cut power of all":
		return []string{"broker 1", "broker 2", "broker 3", "database 1"}
	case strings.Contains(f.kind, "database off"), strings.HasSuffix(f.kind, "of replica"), strings.HasSuffix(f.kind, "for replica"), strings.HasSuffix(f.kind, "off replica"):
		return []string{fmt.Sprintf("link %d %t", f.target+1, strings.Contains(f.kind, "database"))}
	case strings.Contains(f.kind, "replica"):
		return []string{fmt.Sprintf("replica %d", f.target+1)}
	case strings.Contains(f.kind, "database"):
		return []string{"database 1"}
	}
	return []string{fmt.Sprintf("broker %d", f.target+1)}
}

// happen lets the faults happen and returns when all is well again.
func happen(ctx context.Context, s *site, faults []fault) error {
	table := map[string]kind{}
	for _, k := range kinds() {
		table[k.name] = k
	}
	locks := map[string]*sync.Mutex{}
	for _, f := range faults {
		for _, thing := range f.things() {
			locks[thing] = &sync.Mutex{}
		}
	}
	var all sync.WaitGroup
	errs := make([]error, len(faults))
	for i, f := range faults {
		all.Go(func() {
			pause(ctx, f.at)
			for _, thing := range f.things() {
				locks[thing].Lock()
				defer locks[thing].Unlock()
			}
			err := table[f.kind].begin(s, f)
			pause(ctx, f.lasts)
			if err = errors.Join(err, table[f.kind].end(s, f)); err != nil {
				errs[i] = fmt.Errorf("%s: %w", f, err)
			}
		})
	}
	all.Wait()
	return errors.Join(errs...)
}
