package main

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"os"
	"time"

	"github.com/nats-io/nats-server/v2/server"

	"witnessmark/events/trust"
)

// lookAtKeys is how often a store looks whether its certificate has changed.
const lookAtKeys = 5 * time.Second

// keepKeys takes changed files of --tls-cert, --tls-key and --trust over while the
// server runs, until ctx ends. Connections that stand go on; from then on new ones
// are made with the new files. A change that cannot be used, because one file is
// written and the other not yet for one, changes nothing, and say tells why. used is
// what keysSum gave before the server was started.
func (o storeOptions) keepKeys(ctx context.Context, srv *server.Server, used keysSum, every time.Duration, say func(string)) {
	if o.cert == "" {
		return
	}
	tick := time.NewTicker(every)
	defer tick.Stop()
	refused := ""
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
		sum := o.keysSum()
		if sum == used {
			refused = ""
			continue
		}
		opts, err := o.options()
		if err == nil && sum != o.keysSum() {
			err = errors.New("they are being written")
		}
		if err == nil {
			err = srv.ReloadOptions(opts)
		}
		if err != nil {
			if text := err.Error(); text != refused {
				refused = text
				say(fmt.Sprintf("CAUTION: the files of the certificate have changed and cannot be used: %s. The store goes on with what it had, and would not start again like that.", text))
			}
			continue
		}
		used, refused = sum, ""
		if c, err := trust.Read(o.cert); err == nil {
			say(fmt.Sprintf("new connections are made with the certificate in %s as it is now: good until %s, fingerprint %s", o.cert, c.NotAfter.Format(time.DateOnly), trust.Fingerprint(c)))
		}
	}
}

// keysSum is of the files of a store's certificate.
type keysSum [sha256.Size]byte

// keysSum tells whether any of the files has changed.
func (o storeOptions) keysSum() keysSum {
	h := sha256.New()
	for _, name := range []string{o.cert, o.key, o.trust} {
		if name == "" || name == trust.System {
			continue
		}
		b, err := os.ReadFile(name)
		fmt.Fprintf(h, "%s %d %v ", name, len(b), err != nil)
		h.Write(b)
	}
	return keysSum(h.Sum(nil))
}
