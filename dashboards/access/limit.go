package access

import (
	"net"
	"net/netip"
	"sync"
	"time"

	"golang.org/x/time/rate"
)

// tries limits attempts by a key, such as an address or a person.
type tries struct {
	every time.Duration
	burst int

	mu       sync.Mutex
	all      map[string]*rate.Limiter
	forgotAt time.Time
}

const mostKeys = 4096

func newTries(every time.Duration, burst int) *tries {
	return &tries{every: every, burst: burst, all: map[string]*rate.Limiter{}}
}

// take reports whether one more attempt is in order at now.
func (t *tries) take(key string, now time.Time) bool {
	t.mu.Lock()
	defer t.mu.Unlock()
	l := t.all[key]
	if l == nil {
		// Looking through all of them is not for each try of a flood.
		if since := now.Sub(t.forgotAt); len(t.all) >= mostKeys && (since >= time.Second || since < 0) {
			t.forget(now)
			t.forgotAt = now
		}
		if len(t.all) >= mostKeys {
			return false // a flood from everywhere: nobody new until it ebbs
		}
		l = rate.NewLimiter(rate.Every(t.every), t.burst)
		t.all[key] = l
	}
	return l.AllowN(now, 1)
}

// forget drops those that have rested long enough to be as new.
func (t *tries) forget(now time.Time) {
	for k, l := range t.all {
		if l.TokensAt(now) >= float64(t.burst) {
			delete(t.all, k)
		}
	}
}

// clear lets a key begin anew, after a success.
func (t *tries) clear(key string) {
	t.mu.Lock()
	defer t.mu.Unlock()
	delete(t.all, key)
}

// address returns the network address of a RemoteAddr without its port.
func address(remote string) string {
	host, _, err := net.SplitHostPort(remote)
	if err != nil {
		host = remote
	}
	a, err := netip.ParseAddr(host)
	if err != nil {
		return ""
	}
	return a.Unmap().WithZone("").String()
}

// neighbourhood is what tries are counted by: an IPv4 address, or the /64 that
// one machine can draw IPv6 addresses from at will.
func neighbourhood(addr string) string {
	a, err := netip.ParseAddr(addr)
	if err != nil || a.Is4() {
		return addr
	}
	p, err := a.Prefix(64)
	if err != nil {
		return addr
	}
	return p.String()
}
