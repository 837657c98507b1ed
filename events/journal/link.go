package journal

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"log/slog"
	"net/url"
	"regexp"
	"strings"
	"time"

	"github.com/nats-io/nats.go"

	"witnessmark/events/trust"
)

// Link says how a NATS server elsewhere is spoken to. The zero value is for
// servers on loopback.
type Link struct {
	// TLS is what the server's certificate is held against; nil: without TLS,
	// unless the server asks for it, and then against the machine's authorities.
	TLS *tls.Config
	// Roots, which may be nil, gives whom to trust, anew for each connection, in
	// place of what TLS says.
	Roots func() (*x509.CertPool, error)
	// Plain allows to speak without TLS to other machines: something else, such
	// as a tunnel, keeps others from reading and writing on the way.
	Plain bool
	// Secret is the password of StoreUser; "": what the URL says.
	Secret string
}

// StoreUser is as whom a process of the shop comes to a store.
const StoreUser = "witnessmark"

// How soon a server is noticed that a broken line or a stopped machine has made
// silent: so many pings without an answer. By itself the client waits for
// minutes.
const (
	pingServer    = 2 * time.Second
	pingsUnheard  = 2
	reconnectWait = 200 * time.Millisecond
)

// Connect connects to the servers at urls, parted by commas.
func (l Link) Connect(urls string, opts ...nats.Option) (*nats.Conn, error) {
	if err := l.Check(urls); err != nil {
		return nil, err
	}
	opts = append(opts, nats.PingInterval(pingServer), nats.MaxPingsOutstanding(pingsUnheard), nats.IgnoreAuthErrorAbort())
	if l.TLS != nil {
		opts = append(opts, nats.Secure(l.TLS))
		if l.Roots != nil {
			opts = append(opts, nats.ClientTLSConfig(nil, l.Roots))
		}
	}
	if l.Secret != "" {
		opts = append(opts, nats.UserInfo(StoreUser, l.Secret))
	}
	nc, err := nats.Connect(urls, opts...)
	if err != nil {
		return nil, fmt.Errorf("connect to NATS server %s: %w", NoSecret(urls), linkFault(err))
	}
	return nc, nil
}

// Check refuses addresses that cannot be read, and those on other machines to
// which secrets and readings would go for all to read.
func (l Link) Check(urls string) error {
	for _, one := range strings.Split(urls, ",") {
		u, err := parseServer(one)
		if err != nil {
			return err
		}
		if l.TLS == nil && !l.Plain && u.Scheme != "tls" && !trust.OnLoopback(u.Hostname()) {
			return fmt.Errorf("NATS server %s is on another machine, and without TLS everybody on the way could read and write the journal: "+
				"name a file with the store's certificate as nats_trust (%q for the authorities of this machine); or, where a tunnel encrypts, set nats_plain to yes", NoSecret(one), trust.System)
		}
	}
	return nil
}

// Servers lists the addresses host:port of urls.
func Servers(urls string) (all []*url.URL, err error) {
	for _, one := range strings.Split(urls, ",") {
		u, err := parseServer(one)
		if err != nil {
			return nil, err
		}
		all = append(all, u)
	}
	return all, nil
}

func parseServer(one string) (*url.URL, error) {
	one = strings.TrimSpace(one)
	if !strings.Contains(one, "://") {
		one = "nats://" + one
	}
	u, err := url.Parse(one)
	if err != nil || u.Hostname() == "" || u.Scheme != "nats" && u.Scheme != "tls" {
		return nil, fmt.Errorf("address %q of a NATS server: write it as nats://host:4222, several with commas between", NoSecret(one))
	}
	if u.Port() == "" {
		u.Host += ":4222"
	}
	return u, nil
}

var userInfo = regexp.MustCompile(`//[^/,]*@`)

// NoSecret leaves out of addresses who comes with which password.
func NoSecret(urls string) string { return userInfo.ReplaceAllString(urls, "//") }

// linkFault says what is to be done about a connection that did not come about.
func linkFault(err error) error {
	if errors.Is(err, nats.ErrAuthorization) {
		return fmt.Errorf("%w; the store wants its secret: name the same file as nats_secret that it has as --secret-file", err)
	}
	if errors.Is(err, nats.ErrNoServers) {
		return fmt.Errorf("%w: nobody answers there; is the store running ('witnessmark store'), and is that its address?", err)
	}
	return trust.Plainly(err)
}

// endsSoon is how long before a certificate ends it is time to say so.
const endsSoon = 30 * 24 * time.Hour

// sayEnd warns of a store's certificate that ends soon: nobody reaches the store
// after that.
func (l Link) sayEnd(nc *nats.Conn, log *slog.Logger) {
	state, err := nc.TLSConnectionState()
	if err != nil || len(state.PeerCertificates) == 0 {
		return // without TLS
	}
	if c := state.PeerCertificates[0]; time.Until(c.NotAfter) < endsSoon {
		log.Warn("the store's certificate ends soon; make a new one there and hand out copies, or the journal cannot be reached",
			"server", NoSecret(nc.ConnectedUrl()), "not_after", c.NotAfter.Format(time.DateOnly), "sha256", trust.Fingerprint(c))
	}
}

// whyAway adds what the connection last failed with, where that says more than
// that it is away.
func (j *Journal) whyAway(err error) error {
	j.mu.Lock()
	s := j.session
	j.mu.Unlock()
	if s == nil || !errors.Is(err, errAway) {
		return err
	}
	last := s.nc.LastError()
	if last == nil || !errors.Is(last, nats.ErrTLS) && !errors.Is(last, nats.ErrSecureConnWanted) && !errors.Is(last, nats.ErrAuthorization) {
		return err
	}
	return fmt.Errorf("%w: %w", err, linkFault(last))
}

// How often a shared journal asks whether the server that it is connected to
// still hears from the one that leads the stream, and after how many questions
// without an answer it goes to another server.
const (
	askLeader     = 2 * time.Second
	mostUnleading = 3
)

// keepToLeader goes to another server, until Close, when this one answers pings
// and nothing that needs the rest of its cluster: it is cut off from that, and
// this process may not be.
func (j *Journal) keepToLeader() {
	tick := time.NewTicker(askLeader)
	defer tick.Stop()
	without := 0
	for {
		select {
		case <-tick.C:
		case <-j.stop:
			return
		}
		j.mu.Lock()
		s, stuck := j.session, j.health.what == StateStuck
		j.mu.Unlock()
		if s == nil || len(s.nc.Servers()) < 2 || !s.nc.IsConnected() {
			without = 0 // the client itself looks for a server
			continue
		}
		ctx, cancel := context.WithTimeout(context.Background(), askLeader)
		_, err := s.js.Stream(ctx, s.name)
		cancel()
		if err == nil && !stuck { // one that led and is cut off answers that for a while, but takes nothing
			without = 0
			continue
		}
		if without++; without < mostUnleading {
			continue
		}
		without = 0
		j.log.Warn("the NATS server answers nothing that needs its cluster; going to another one", "server", NoSecret(s.nc.ConnectedUrl()), "err", err)
		for _, nc := range []*nats.Conn{s.nc, s.second} {
			_ = nc.ForceReconnect() // one that is closed stays closed
		}
	}
}
