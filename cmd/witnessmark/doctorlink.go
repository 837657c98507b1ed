package main

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"net"
	"net/url"
	"strings"
	"time"

	"github.com/nats-io/nats.go"

	"witnessmark/events/journal"
	"witnessmark/events/trust"
)

// askStore is how long a store may take to answer doctor.
const askStore = 3 * time.Second

// examineLink says how each store of nats_url, and the hub of a chain, is reached,
// and what is open there.
func examineLink(ctx context.Context, cfg config) (found []finding) {
	if cfg.NATSURL == "" {
		found = append(found, finding{What: "nats port", State: "good", Text: "none is opened by the pages' service: its NATS server is inside the process, unless bench boxes are let in"})
	}
	places := map[string]string{"nats_url": cfg.NATSURL, "chain": cfg.Chain}
	for _, setting := range sortedKeys(places) {
		urls := places[setting]
		if urls == "" {
			continue
		}
		servers, err := journal.Servers(urls)
		if err != nil {
			found = append(found, finding{"nats", "wrong", setting + ": " + err.Error(), "correct the setting " + setting})
			continue
		}
		link, err := cfg.linkTo(urls)
		if err != nil {
			found = append(found, finding{"nats", "wrong", setting + ": " + err.Error(), "the service does not start so"})
			continue
		}
		for _, u := range servers {
			found = append(found, examineStore(ctx, link, u, trust.OnLoopback(u.Hostname())))
		}
	}
	return found
}

// greeting is what a NATS server says first, to everybody.
type greeting struct {
	TLS bool `json:"tls_required"`
}

// examineStore looks at one store: whether it answers, what can be read on the
// way, whether it is the one that is trusted, and who may come in.
func examineStore(ctx context.Context, link journal.Link, u *url.URL, here bool) finding {
	g, err := greet(ctx, u.Host)
	if err != nil {
		return finding{"nats", "wrong", fmt.Sprintf("no NATS server at %s: %v", u.Host, err), "start it ('witnessmark store'), or leave nats_url empty for the embedded one"}
	}
	nc, err := link.Connect(u.String(), nats.Timeout(askStore), nats.NoReconnect())
	if err != nil {
		return finding{"nats", "wrong", err.Error(), "put that right; the service does not reach its journal so"}
	}
	defer nc.Close()
	if !here && !g.TLS {
		state, todo := "wrong", "give it a certificate ('witnessmark store --help'), and the services its copy as nats_trust"
		if link.Plain {
			state, todo = "note", "make sure that a tunnel encrypts all of the way (nats_plain says so)"
		}
		return finding{"nats", state, u.Host + " speaks without TLS: whoever is on the way can read the secret and the readings, and write", todo}
	}
	if !here && comesInWithout(u, link) {
		return finding{"nats", "wrong", u.Host + " asks for no secret: whoever reaches it can write to the journal", "start it with --secret-file, and name the same file as nats_secret"}
	}
	text := u.Host + " answers, on this machine only, without TLS"
	f := finding{What: "nats", State: "good"}
	if state, err := nc.TLSConnectionState(); err == nil && len(state.PeerCertificates) > 0 {
		c := state.PeerCertificates[0]
		text = fmt.Sprintf("%s answers over TLS, with a certificate for %s, good until %s, SHA-256 %s", u.Host, strings.Join(trust.Names(c), ", "), c.NotAfter.Format(time.DateOnly), trust.Fingerprint(c))
		if time.Until(c.NotAfter) < endsSoon {
			f.State, f.Todo = "note", "it ends within 30 days: make a new one there and hand out copies, or the journal cannot be reached"
		}
	}
	f.Text = text + "; whoever has the secret may write to the journal, so keep its port off other networks"
	return f
}

// greet reads what a NATS server says first.
func greet(ctx context.Context, host string) (g greeting, err error) {
	ctx, cancel := context.WithTimeout(ctx, askStore)
	defer cancel()
	c, err := (&net.Dialer{}).DialContext(ctx, "tcp", host)
	if err != nil {
		return g, err
	}
	defer c.Close()
	if err := c.SetDeadline(time.Now().Add(askStore)); err != nil {
		return g, err
	}
	line, err := bufio.NewReaderSize(c, 64<<10).ReadSlice('\n')
	if err != nil {
		return g, fmt.Errorf("it says nothing that a NATS server would: %w", err)
	}
	text, ok := strings.CutPrefix(string(line), "INFO ")
	if !ok || json.Unmarshal([]byte(text), &g) != nil {
		return g, fmt.Errorf("something else answers there: %.60q", line)
	}
	return g, nil
}

// comesInWithout reports whether somebody without a secret is let in.
func comesInWithout(u *url.URL, link journal.Link) bool {
	bare := *u
	bare.User, link.Secret = nil, ""
	nc, err := link.Connect(bare.String(), nats.Timeout(askStore), nats.NoReconnect())
	if err != nil {
		return false
	}
	nc.Close()
	return true
}
