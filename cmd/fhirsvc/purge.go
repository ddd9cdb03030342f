package main

import (
	"context"
	"errors"
	"fmt"
	"time"

	"fhirsvc/internal/episode"
	"fhirsvc/internal/store"
	"fhirsvc/internal/store/postgres"
)

const purgeHelp = `Usage: fhirsvc purge [flags]

Removes what a site no longer keeps, by its own rule: give an age in days for each kind;
what is given none stays. Without --really it only counts. It works in small steps while the
service runs, may be broken off anywhere, and goes on when it is run again. What it removed
is gone but for backups: the law and the site say how long a record is kept.

An episode is removed when its plan has ended, no Task is open, everything of it was told,
and nothing of it was stored for so long. Patients, encounters and practitioners stay, and
business identifiers stay taken. What is told later of a removed procedure is refused and
listed by 'fhirsvc rejected'. What is removed is recorded in the audit trail with it: by whom (the
account that runs this), when, by which rule, and how much of what.

Settings (environment):
  FHIRSVC_DATABASE_URL      the database

Flags:`

// ages are the rule: days for each kind; 0 keeps.
type ages struct{ episodes, inbox, outbox, audit int }

// The shortest ages: an inbox that forgets sooner takes a repeat for something new, and a
// lost stream is filled again from the outbox.
const (
	shortestEpisodes = 30
	shortestInbox    = 30
	shortestOutbox   = 7
	shortestAudit    = 30
)

// age is how old something may get.
type age struct {
	name           string
	days, shortest int
}

func (a ages) all() []age {
	return []age{
		{"episodes", a.episodes, shortestEpisodes},
		{"inbox", a.inbox, shortestInbox},
		{"outbox", a.outbox, shortestOutbox},
		{"audit", a.audit, shortestAudit},
	}
}

func (a ages) check() error {
	var faults []error
	for _, one := range a.all() {
		if one.days != 0 && one.days < one.shortest {
			faults = append(faults, fmt.Errorf("purge: --%s wants %d days or more", one.name, one.shortest))
		}
	}
	if a == (ages{}) {
		faults = append(faults, errors.New("purge: give an age for something; see --help"))
	}
	if faults == nil {
		return nil
	}
	return usageError{errors.Join(faults...)}
}

// rule is what the site said, as it may be said again.
func (a ages) rule() string {
	rule := "purge"
	for _, one := range a.all() {
		if one.days > 0 {
			rule += fmt.Sprintf(" --%s %d", one.name, one.days)
		}
	}
	return rule
}

func runPurge(ctx context.Context, args []string, out surroundings) error {
	var a ages
	f := newFlags("purge", out, purgeHelp)
	really := f.Bool("really", false, "remove; without it only count")
	f.IntVar(&a.episodes, "episodes", 0, "`days` since the last change of an episode")
	f.IntVar(&a.inbox, "inbox", 0, "`days` since an input was taken in; a repeat after that is a new input")
	f.IntVar(&a.outbox, "outbox", 0, "`days` since a change was stored that everybody was told of")
	f.IntVar(&a.audit, "audit", 0, "`days` since an access")
	if err := parse(f, args, out); err != nil {
		return err
	}
	if err := a.check(); err != nil {
		return err
	}
	config, err := ReadConfig(out.getenv, func(s setting) bool { return s.name == "FHIRSVC_DATABASE_URL" })
	if err != nil {
		return err
	}
	st, err := postgres.Open(ctx, config.DatabaseURL.reveal())
	if err != nil {
		return err
	}
	defer st.Close()
	g := &episode.Purger{Store: st, Auditor: auditorOf(st), By: commandAccess("fhirsvc purge")}
	g.By.Query = a.rule()
	done, err := purge(ctx, g, a, time.Now(), *really)
	done.say(out, a, *really)
	newLog(out.stderr, config.LogLevel).Info("purge", "trace_id", g.By.Trace, "really", *really, "episodes", done.Episodes,
		"inbox", done.inbox, "outbox", done.outbox, "audit", done.audit, "complete", err == nil)
	return err
}

// purged is what was removed, or would be.
type purged struct {
	episode.Purged
	inbox, outbox, audit int
}

func (p purged) say(out surroundings, a ages, really bool) {
	verb := "would be removed"
	if really {
		verb = "removed"
	}
	if a.episodes > 0 {
		say(out.stdout, "episodes %s: %d (kept: %d younger, %d open, %d still to be told)\n", verb, p.Episodes, p.Young, p.Open, p.Waiting)
	}
	for _, one := range []struct {
		name    string
		days, n int
	}{{"entries of the inbox", a.inbox, p.inbox}, {"told changes", a.outbox, p.outbox}, {"AuditEvents", a.audit, p.audit}} {
		if one.days > 0 {
			say(out.stdout, "%s %s: %d\n", one.name, verb, one.n)
		}
	}
}

// purge removes by age, and gives what was removed also when it breaks off.
func purge(ctx context.Context, g *episode.Purger, a ages, now time.Time, really bool) (p purged, err error) {
	before := func(days int) time.Time { return now.AddDate(0, 0, -days) }
	if a.episodes > 0 {
		if p.Purged, err = g.Episodes(ctx, before(a.episodes), really); err != nil {
			return p, err
		}
	}
	for _, one := range []struct {
		what store.Old
		days int
		n    *int
	}{{store.OldInbox, a.inbox, &p.inbox}, {store.OldOutbox, a.outbox, &p.outbox}, {store.OldAudit, a.audit, &p.audit}} {
		if one.days == 0 {
			continue
		}
		if *one.n, err = g.Old(ctx, one.what, before(one.days), really); err != nil {
			return p, err
		}
	}
	return p, nil
}
