package access

import (
	"fmt"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// Whatever the rhythm of the tries, in no stretch of time are there more than
// the first handful and one for each interval; keys do not disturb each other;
// who waits is let in again.
func TestTriesProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		every := time.Duration(rapid.IntRange(1, 60).Draw(t, "every")) * time.Second
		burst := rapid.IntRange(1, 20).Draw(t, "burst")
		l := newTries(every, burst)
		now := time.Unix(1_700_000_000, 0)
		taken := map[string][]time.Time{}
		for range rapid.IntRange(1, 200).Draw(t, "tries") {
			now = now.Add(time.Duration(rapid.IntRange(0, 20_000).Draw(t, "ms")) * time.Millisecond)
			key := rapid.SampledFrom([]string{"a", "b", "c"}).Draw(t, "key")
			if l.take(key, now) {
				taken[key] = append(taken[key], now)
			}
		}
		for key, at := range taken {
			for i := range at {
				for j := i; j < len(at); j++ {
					// A microsecond for the rounding inside of the limiter.
					if most := float64(burst) + float64(at[j].Sub(at[i])+time.Microsecond)/float64(every); float64(j-i+1) > most {
						t.Fatalf("key %s: %d tries within %v, at most %.2f", key, j-i+1, at[j].Sub(at[i]), most)
					}
				}
			}
		}
		now = now.Add(every * time.Duration(burst+1))
		for i := range burst {
			if !l.take("a", now) {
				t.Fatalf("after a rest try %d of %d is refused", i+1, burst)
			}
		}
		if l.take("a", now) {
			t.Fatal("a rest gives more than the handful")
		}
		l.clear("a")
		if !l.take("a", now) {
			t.Fatal("after a success the count does not begin anew")
		}
	})
}

// A flood from ever new addresses takes bounded memory and does not shut out
// who is known; once it has ebbed, new ones come in.
func TestTriesFlood(t *testing.T) {
	l := newTries(time.Second, 5)
	now := time.Unix(1_700_000_000, 0)
	l.take("known", now)
	for i := range 4 * mostKeys {
		l.take(fmt.Sprint(i), now)
	}
	if len(l.all) > mostKeys {
		t.Errorf("%d keys are kept, at most %d", len(l.all), mostKeys)
	}
	if !l.take("known", now) {
		t.Error("who is known is shut out by a flood")
	}
	if l.take("new", now) {
		t.Error("in the flood a new one comes in, and is not counted")
	}
	if !l.take("new", now.Add(2*time.Second)) {
		t.Error("after the flood nobody new comes in")
	}
}

func TestAddresses(t *testing.T) {
	for _, c := range []struct{ remote, address, counted string }{
		{"192.0.2.7:4711", "192.0.2.7", "192.0.2.7"},
		{"[::ffff:192.0.2.7]:4711", "192.0.2.7", "192.0.2.7"}, // the same machine through an IPv6 socket
		{"[2001:db8:1:2:3:4:5:6]:1", "2001:db8:1:2:3:4:5:6", "2001:db8:1:2::/64"},
		{"[2001:db8:1:2:ffff::1]:1", "2001:db8:1:2:ffff::1", "2001:db8:1:2::/64"},
		{"[fe80::1%eth0]:1", "fe80::1", "fe80::/64"},
		{"192.0.2.7", "192.0.2.7", "192.0.2.7"}, {"@", "", ""}, {"", "", ""},
	} {
		if a := address(c.remote); a != c.address || neighbourhood(a) != c.counted {
			t.Errorf("%q: address %q counted as %q, want %q as %q", c.remote, a, neighbourhood(a), c.address, c.counted)
		}
	}
}
