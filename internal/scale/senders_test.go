package scale

import (
	"encoding/json"
	"fmt"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"fhirsvc/internal/episode"
	"fhirsvc/internal/fhir/search"
	"fhirsvc/internal/sandbox/bedside"
	"fhirsvc/internal/store"
	"fhirsvc/internal/store/group"
)

const (
	senders   = 32
	each      = 6
	mostTries = 16 // half of those after which episode gives an input up (lock-error, sent again later)
)

// Many senders tell at once, through two replicas, of procedures that one person did, each with
// another name for that person, whom nobody knew before: every event is stored, none is tried
// too often, there is one Practitioner, and it has the name of the newest event.
func TestManySendersNameOnePractitioner(t *testing.T) {
	t.Parallel()
	for name, who := range map[string]func(round int) string{
		"one":               func(int) string { return "S-1" },
		"one in each round": func(round int) string { return fmt.Sprintf("S-%d", round) },
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			c := newCrowd(t)
			c.send(who)
			t.Logf("%d events, %d times built anew, events by tries: %v", senders*each, c.anew(), c.histogram())
			for tries := range c.histogram() {
				require.LessOrEqual(t, tries, mostTries)
			}
			for id, name := range c.newest {
				require.Equal(t, name, c.practitioner(id))
			}
		})
	}
}

// crowd is two replicas with the senders before them.
type crowd struct {
	testing.TB
	replicas []*replica
	began    time.Time

	mu     sync.Mutex
	sent   int
	newest map[string]string // the last name by who it is
	tries  map[string]int    // by the id of the message
}

func newCrowd(t *testing.T) *crowd {
	c := &crowd{TB: t, began: time.Now().Add(-time.Hour), newest: map[string]string{}, tries: map[string]int{}}
	url := newDatabase(t)
	for range 2 {
		r := newReplicaOn(t, group.New(openStore(t, url)))
		r.tried = func(x store.Changeset) {
			c.mu.Lock()
			defer c.mu.Unlock()
			c.tries[x.Inbox.ID]++ // of events alone: nothing else happens here
		}
		c.replicas = append(c.replicas, r)
	}
	return c
}

// next is the event that is sent next. It is newer than all before, and so a change of its own to
// what is known of the person.
func (c *crowd) next(id string) bedside.Case {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.sent++
	x := bedside.NewCase(c.sent, "diagnostic", c.began)
	x.Version = c.began.Add(time.Duration(c.sent) * time.Second)
	x.By = bedside.Person{ID: id, Name: fmt.Sprintf("Dr Pretend %d", c.sent)}
	c.newest[id] = x.By.Name
	return x
}

// send has each sender send one event after the other.
func (c *crowd) send(who func(round int) string) {
	c.Helper()
	var all sync.WaitGroup
	errs := make([]error, senders*each)
	for sender := range senders {
		all.Go(func() {
			for round := range each {
				r := c.replicas[sender%len(c.replicas)]
				_, errs[sender*each+round] = r.service.Message(c.Context(), episode.Message{Body: c.next(who(round)).Event(), Door: episode.DoorJetStream})
			}
		})
	}
	all.Wait()
	for _, err := range errs {
		require.NoError(c, err)
	}
}

func (c *crowd) histogram() map[int]int {
	events := map[int]int{}
	for _, tries := range c.tries {
		events[tries]++
	}
	return events
}

// anew gives how often an event was built again.
func (c *crowd) anew() (n int) {
	for _, tries := range c.tries {
		n += tries - 1
	}
	return n
}

// practitioner gives the name under which the only one with this identifier is stored.
func (c *crowd) practitioner(id string) string {
	c.Helper()
	page, err := c.replicas[0].Search(c.Context(), search.Query{Type: "Practitioner", Count: 9, All: []search.Condition{
		{Param: "identifier", Kind: search.Token, Any: []search.Term{{Code: id}}},
	}})
	require.NoError(c, err)
	require.Len(c, page.Matches, 1)
	var p struct{ Name []struct{ Text string } }
	require.NoError(c, json.Unmarshal(page.Matches[0].Body, &p))
	return p.Name[0].Text
}
