package site

import (
	"encoding/json"
	"encoding/pem"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"time"
)

// endpoint is somebody else's FHIR server that Subscriptions tell: with TLS, and in trouble
// as the dice say. It keeps what it took.
type endpoint struct {
	*httptest.Server
	calm atomic.Bool

	mu     sync.Mutex
	dice   *dice
	inRow  int      // refusals in a row: after three it takes a call, as pauses double
	taken  []string // Task/id/version, in order, repeats too
	called int
}

func newEndpoint(certificate string) (*endpoint, error) {
	e := &endpoint{dice: newDice(0, "endpoint")}
	e.Server = httptest.NewTLSServer(e)
	block := pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: e.Certificate().Raw})
	return e, os.WriteFile(certificate, block, 0o600)
}

// begin forgets the last run.
func (e *endpoint) begin(seed uint64) {
	e.mu.Lock()
	defer e.mu.Unlock()
	e.dice, e.taken, e.inRow = newDice(seed, "endpoint"), nil, 0
	e.calm.Store(false)
}

// ServeHTTP takes an update of a Task, or is in trouble.
func (e *endpoint) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	body, err := io.ReadAll(r.Body)
	if err != nil {
		return
	}
	e.mu.Lock()
	e.called++
	trouble := 0
	if !e.calm.Load() && r.Method == http.MethodPut && e.inRow < 3 {
		trouble = e.dice.n(12)
	}
	if trouble >= 1 && trouble <= 5 {
		e.inRow++
	} else {
		e.inRow = 0
	}
	e.mu.Unlock()
	switch trouble {
	case 1:
		w.WriteHeader(http.StatusInternalServerError)
	case 2:
		w.WriteHeader(http.StatusConflict)
	case 3:
		w.WriteHeader(http.StatusPreconditionFailed)
	case 4: // it answers nothing within the caller's time
		time.Sleep(1300 * time.Millisecond)
		w.WriteHeader(http.StatusServiceUnavailable)
	case 5: // it takes it and drops the answer
		e.take(r, body)
		panic(http.ErrAbortHandler)
	default:
		e.take(r, body)
	}
}

func (e *endpoint) take(r *http.Request, body []byte) {
	var task struct {
		ID   string
		Meta struct{ VersionID string }
	}
	if r.Method != http.MethodPut || json.Unmarshal(body, &task) != nil {
		return
	}
	e.mu.Lock()
	defer e.mu.Unlock()
	e.taken = append(e.taken, strings.Join([]string{"Task", task.ID, task.Meta.VersionID}, "/"))
}

// took gives the versions that were taken, by Task, in order, and whether each came for the
// first time after the one before it.
func (e *endpoint) took() (latest map[string]int, disorder []string) {
	e.mu.Lock()
	defer e.mu.Unlock()
	latest = map[string]int{}
	for _, t := range e.taken {
		i := strings.LastIndex(t, "/")
		n, err := strconv.Atoi(t[i+1:])
		if err != nil || n > latest[t[:i]]+1 {
			disorder = append(disorder, t)
		}
		latest[t[:i]] = max(latest[t[:i]], n)
	}
	return latest, disorder
}
