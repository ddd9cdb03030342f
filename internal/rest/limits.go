package rest

import (
	"sync"
	"time"

	"golang.org/x/time/rate"

	"fhirsvc/internal/fhir/outcome"
)

// mostClients bounds the clients whose requests are counted at a time. They are those
// whose tokens are sound, so there are few; if there are more, counting begins anew.
const mostClients = 10_000

// limits bounds how often each client may ask. The zero value lets everybody ask as often
// as they like.
type limits struct {
	perSecond rate.Limit

	mu      sync.Mutex
	clients map[string]*rate.Limiter
}

// take counts n requests of a client, and refuses (throttled) what is too much. A client
// that has been quiet may ask for a whole Bundle, or for two seconds' worth, at once.
func (l *limits) take(client string, n int) error {
	if l.perSecond <= 0 {
		return nil
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.clients == nil || len(l.clients) >= mostClients {
		l.clients = map[string]*rate.Limiter{}
	}
	own := l.clients[client]
	if own == nil {
		own = rate.NewLimiter(l.perSecond, max(2*int(l.perSecond), maximumEntries+1))
		l.clients[client] = own
	}
	if !own.AllowN(time.Now(), n) {
		return outcome.Fail(outcome.CodeThrottled, "", "this client asks too often: more than %d requests, or entries of a Bundle, a second", int(l.perSecond))
	}
	return nil
}
