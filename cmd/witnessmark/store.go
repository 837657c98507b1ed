package main

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"time"

	"github.com/nats-io/nats-server/v2/logger"
	"github.com/nats-io/nats-server/v2/server"
	"github.com/spf13/cobra"

	"witnessmark/events/journal"
	"witnessmark/events/trust"
)

// storeOptions says how a NATS server of a shop runs by itself.
type storeOptions struct {
	name    string // of this node
	data    string
	listen  string
	cluster string   // address for the other nodes; "": alone
	nodes   []string // addresses of all nodes of the cluster
	secret  string   // password of clients and nodes; "": none, on loopback alone
	cert    string   // file of its certificate; "": without TLS, on loopback alone
	key     string   // file of its key
	trust   string   // file of the certificates of other stores
	plain   bool     // without TLS to other machines too
	takes   string   // address at which a hub takes the stores of shops; "": it is none
	hub     string   // address of the hub that keeps a copy; "": none does
	of      string   // id of the shop whose journal the hub may copy
	most    uint64   // bytes that streams may take
	quiet   bool     // no log
}

func newStore() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "store",
		Short: "Keep the journal in a process of its own, or on three nodes of a cluster",
		Long: `Runs a NATS server with JetStream and nothing else, which syncs every write
before it acknowledges it. A shop's 'serve' and further 'serve --role rules'
then use it with nats_url.

On three machines, each with --cluster and the same --nodes, it is a cluster: a
journal that is made there with the setting replicas = 3 is kept on all three,
and goes on with any one of them gone. When its leader is lost, publishing pauses
for some seconds.

With --takes it is the hub of a chain of shops, and with --hub and --of a shop's
store lets the hub keep a copy of its journal; see 'witnessmark chain'. The hub
may ask for the entries of that one journal, and nothing else.

Without a secret and a certificate it listens on loopback addresses only.
--secret-file names a file with one line, the same on all nodes; services name
theirs with nats_secret. 'witnessmark tls make --store' makes a certificate and
its key; one of your own will do as well. Services hold it against a file of
certificates, nats_trust. Stores check each other both ways, nodes of a cluster
and a hub with the stores that dial in to it: --trust is the file of the
certificates, or authorities, of all of them. Changed files are taken over within
seconds, for new connections; those that stand go on. --plain does without TLS, for a
tunnel (WireGuard, a VPN) that encrypts: never on an open wire.`,
		Example: `  witnessmark store --data /var/lib/witnessmark-store
  witnessmark tls make --store --data /var/lib/witnessmark-store --name 10.0.0.1
  witnessmark store --name n1 --data /var/lib/witnessmark-store \
      --listen 10.0.0.1:4222 --cluster 10.0.0.1:6222 \
      --nodes 10.0.0.1:6222,10.0.0.2:6222,10.0.0.3:6222 \
      --secret-file /etc/witnessmark/secret --trust /etc/witnessmark/nodes.pem \
      --tls-cert /var/lib/witnessmark-store/tls/cert.pem --tls-key /var/lib/witnessmark-store/tls/key.pem`,
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			o, err := readStoreOptions(c)
			if err != nil {
				return err
			}
			return runStore(c.Context(), c, o)
		},
	}
	f := cmd.Flags()
	f.String("name", "store", "name of this node: letters, digits, '-'; each node of a cluster its own")
	f.String("data", defaultStoreData, "directory for what is stored")
	f.String("listen", "127.0.0.1:4222", "address for the services")
	f.String("cluster", "", "address for the other nodes; empty: no cluster")
	f.StringSlice("nodes", nil, "addresses of all nodes of the cluster, as their --cluster says")
	f.String("takes", "", "be the hub of a chain: the address at which the stores of shops may dial in")
	f.String("hub", "", "address of the hub that keeps a copy of this shop's journal, as its --takes says")
	f.String("of", "", "id of the shop whose journal is here; with --hub")
	f.String("secret-file", "", "file with the secret of clients and nodes")
	f.String("tls-cert", "", "certificate of this store (PEM), which services and other stores check")
	f.String("tls-key", "", "key of that certificate (PEM), which nobody else may read")
	f.String("trust", "", "file with the certificates of the other stores, or 'system' for the authorities of this machine")
	f.Bool("plain", false, "speak without TLS to other machines, because a tunnel encrypts")
	f.String("most", "100 GiB", "how much the streams may take together")
	return cmd
}

func readStoreOptions(c *cobra.Command) (o storeOptions, err error) {
	f := c.Flags()
	o.name, _ = f.GetString("name")
	o.data, _ = f.GetString("data")
	o.listen, _ = f.GetString("listen")
	o.cluster, _ = f.GetString("cluster")
	o.nodes, _ = f.GetStringSlice("nodes")
	o.takes, _ = f.GetString("takes")
	o.hub, _ = f.GetString("hub")
	o.of, _ = f.GetString("of")
	most, _ := f.GetString("most")
	if o.most, err = parseSize(most); err != nil {
		return o, usageError("--most: %v", err)
	}
	if file, _ := f.GetString("secret-file"); file != "" {
		if o.secret, err = readSecret(file); err != nil {
			return o, err
		}
	}
	o.cert, _ = f.GetString("tls-cert")
	o.key, _ = f.GetString("tls-key")
	o.trust, _ = f.GetString("trust")
	o.plain, _ = f.GetBool("plain")
	return o, o.validate()
}

func (o storeOptions) validate() error {
	if !regexp.MustCompile(`^[A-Za-z0-9-]{1,40}$`).MatchString(o.name) {
		return usageError("--name is %q: want letters, digits and '-'", o.name)
	}
	for flag, addr := range map[string]string{"--listen": o.listen, "--cluster": o.cluster, "--takes": o.takes, "--hub": o.hub} {
		if addr == "" && flag != "--listen" {
			continue
		}
		host, _, err := net.SplitHostPort(addr)
		if err != nil {
			return usageError("%s is %q: want host:port", flag, addr)
		}
		if trust.OnLoopback(host) {
			continue
		}
		if o.secret == "" {
			return usageError("%s %s can be reached from other machines: give a secret with --secret-file, or a loopback address", flag, addr)
		}
		if o.cert == "" && !o.plain {
			return usageError("%s %s is on the way to other machines, and without TLS everybody on it could read and write the journal: "+
				"give a certificate with --tls-cert and --tls-key ('witnessmark tls make --store' makes one), or a loopback address; or, where a tunnel encrypts, say --plain", flag, addr)
		}
	}
	switch {
	case (o.cert == "") != (o.key == ""):
		return usageError("--tls-cert and --tls-key go together: name both, or neither")
	case o.plain && o.cert != "":
		return usageError("--plain and --tls-cert: the one says to do without TLS, the other with which certificate; leave one out")
	case o.cert == "" && o.trust != "":
		return usageError("--trust without --tls-cert: stores check each other both ways, so this one needs a certificate too")
	case o.cert != "" && o.trust == "" && (o.cluster != "" || o.takes != "" || o.hub != ""):
		return usageError("--tls-cert without --trust: name the file with the certificates of the other stores, so that no other one is taken for them")
	case (o.hub == "") != (o.of == ""):
		return usageError("--hub and --of go together: which hub may copy the journal of which shop")
	case o.of != "" && !regexp.MustCompile(`^[a-z0-9][a-z0-9-]{0,62}$`).MatchString(o.of):
		return usageError("--of is %q: want the id in the shop file", o.of)
	case o.hub != "" && o.takes != "":
		return usageError("--hub and --takes: a store is of a shop or of the chain")
	case o.cluster == "" && len(o.nodes) > 0:
		return usageError("--nodes without --cluster: say at which address this node speaks to the others")
	case o.cluster != "" && len(o.nodes) < 3:
		return usageError("--cluster with %d nodes: want three or five, with --nodes", len(o.nodes))
	}
	return nil
}

// endsSoon is how long before a certificate ends people are told.
const endsSoon = 30 * 24 * time.Hour

// defaultStoreData is the directory of a store that names none.
const defaultStoreData = "witnessmark-store"

// How soon a store notices that a client or another store is silent: so many
// pings without an answer. A connection that outlived a cut would go on by
// itself only after about as long again, as TCP waits longer each time.
const (
	pingStore     = 2 * time.Second
	storesUnheard = 2
)

// secure makes the server speak TLS on all its addresses. Clients check the
// store, and give the secret; stores check each other both ways.
func (o storeOptions) secure(opts *server.Options, now time.Time) error {
	if o.cert == "" {
		return nil
	}
	pair, err := trust.Pair(o.cert, o.key, now)
	if err != nil {
		return err
	}
	const handshake = 5 // seconds
	opts.TLS, opts.TLSTimeout = true, handshake
	opts.TLSConfig = &tls.Config{Certificates: []tls.Certificate{pair}, MinVersion: tls.VersionTLS12}
	if o.trust == "" {
		return o.named(pair.Leaf, "--listen", o.listen)
	}
	pool, _, err := trust.Pool(o.trust)
	if err != nil {
		return fmt.Errorf("--trust: %w", err)
	}
	both := &tls.Config{Certificates: []tls.Certificate{pair}, MinVersion: tls.VersionTLS12,
		RootCAs: pool, ClientCAs: pool, ClientAuth: tls.RequireAndVerifyClientCert}
	if o.cluster != "" {
		opts.Cluster.TLSConfig, opts.Cluster.TLSTimeout = both, handshake
		if _, err := pair.Leaf.Verify(x509.VerifyOptions{Roots: pool, CurrentTime: now, KeyUsages: []x509.ExtKeyUsage{x509.ExtKeyUsageClientAuth}}); err != nil {
			return fmt.Errorf("the other nodes would not trust this one: %w", trust.Plainly(fmt.Errorf("certificate %s against --trust %s: %w", o.cert, o.trust, err)))
		}
	}
	if o.takes != "" {
		opts.LeafNode.TLSConfig, opts.LeafNode.TLSTimeout = both, handshake
	}
	for _, r := range opts.LeafNode.Remotes {
		r.TLS, r.TLSConfig, r.TLSTimeout = true, both, handshake
	}
	return errors.Join(o.named(pair.Leaf, "--listen", o.listen), o.named(pair.Leaf, "--cluster", o.cluster), o.named(pair.Leaf, "--takes", o.takes))
}

// named refuses an address that the certificate is not for: nobody would trust
// it there. Of one that stands for all addresses of the machine nothing is known.
func (o storeOptions) named(c *x509.Certificate, flag, addr string) error {
	host, _, err := net.SplitHostPort(addr)
	if ip := net.ParseIP(host); err != nil || host == "" || ip != nil && ip.IsUnspecified() {
		return nil
	}
	if err := c.VerifyHostname(host); err != nil {
		return usageError("%s %s: %v", flag, addr, trust.Plainly(err))
	}
	return nil
}

// storeLog is what a store says: as the server does, and of a handshake that
// failed what to do.
type storeLog struct{ server.Logger }

// Errorf implements server.Logger.
func (l storeLog) Errorf(format string, v ...any) {
	text := fmt.Sprintf(format, v...)
	if todo := trust.Advice(text); todo != "" {
		text += "; " + todo
	}
	l.Logger.Errorf("%s", text)
}

// storeAccount is the account in which a store keeps its streams.
const storeAccount = "SHOP"

// config writes the options as the server's configuration. Clients are in an
// account that may ask how the server syncs, and nothing else of the system.
func (o storeOptions) config() string {
	password, unnamed := o.secret, ""
	if password == "" {
		password, unnamed = "loopback", "no_auth_user: witnessmark\n"
	}
	domain := ""
	switch {
	case o.takes != "":
		domain = "domain: hub, "
	case o.hub != "":
		domain = fmt.Sprintf("domain: %q, ", "shop-"+o.of)
	}
	exports, chain := o.chain()
	var b strings.Builder
	fmt.Fprintf(&b, `server_name: %q
listen: %q
%sjetstream { %sstore_dir: %q, sync_interval: always, max_memory_store: 64MB, max_file_store: %d }
accounts {
  SYS { exports: [{service: "$SYS.REQ.SERVER.*.JSZ"}] }
  SHOP { jetstream: enabled, users: [{user: witnessmark, password: %q}], exports: [%s]
         imports: [{service: {account: SYS, subject: "$SYS.REQ.SERVER.*.JSZ"}}] }
%s}
system_account: SYS
`, o.name, o.listen, unnamed, domain, o.data, o.most, password, exports, chain)
	switch {
	case o.takes != "":
		fmt.Fprintf(&b, "leafnodes { listen: %q, no_advertise: true, authorization { user: chain, password: %q, account: SHOP } }\n", o.takes, password)
	case o.hub != "":
		fmt.Fprintf(&b, "leafnodes { reconnect: \"1s\", remotes: [{ url: %q, account: CHAIN }] }\n", "nats-leaf://chain:"+password+"@"+o.hub)
	}
	if o.cluster != "" {
		var routes []string
		for _, n := range o.nodes {
			routes = append(routes, fmt.Sprintf("%q", "nats-route://witnessmark:"+password+"@"+n))
		}
		fmt.Fprintf(&b, "cluster { name: witnessmark, listen: %q, authorization { user: witnessmark, password: %q }, routes: [%s] }\n",
			o.cluster, password, strings.Join(routes, ", "))
	}
	return b.String()
}

// chain writes what the hub of a chain may ask of a shop's store, and the
// account in which it asks: the shop's own account exports it, and no more.
func (o storeOptions) chain() (exports, account string) {
	if o.hub == "" {
		return "", ""
	}
	var give, take []string
	asks := journal.ChainAsks(o.of)
	for _, as := range sortedKeys(asks) {
		give = append(give, fmt.Sprintf("{service: %q}", asks[as]))
		take = append(take, fmt.Sprintf("{service: {account: SHOP, subject: %q}, to: %q}", asks[as], as))
	}
	give = append(give, fmt.Sprintf("{stream: %q}", journal.ChainGets(o.of)))
	take = append(take, fmt.Sprintf("{stream: {account: SHOP, subject: %q}}", journal.ChainGets(o.of)))
	return strings.Join(give, ", "), fmt.Sprintf("  CHAIN { imports: [%s] }\n", strings.Join(take, ",\n    "))
}

// options are the server's, certificates and all.
func (o storeOptions) options() (*server.Options, error) {
	data, err := filepath.Abs(o.data)
	if err != nil {
		return nil, err
	}
	o.data = data
	opts := &server.Options{}
	if err := opts.ProcessConfigString(o.config()); err != nil {
		return nil, fmt.Errorf("make the server's settings: %w", err)
	}
	opts.NoSigs = true
	opts.PingInterval, opts.MaxPingsOut = pingStore, storesUnheard
	return opts, o.secure(opts, time.Now())
}

// start starts the server; stop it with Shutdown.
func (o storeOptions) start() (*server.Server, error) {
	opts, err := o.options()
	if err != nil {
		return nil, err
	}
	srv, err := server.NewServer(opts)
	if err != nil {
		return nil, fmt.Errorf("make the server: %w", err)
	}
	if !o.quiet {
		srv.SetLoggerV2(storeLog{logger.NewStdLogger(true, false, false, false, true)}, false, false, false)
	}
	srv.Start()
	if !srv.ReadyForConnections(30 * time.Second) {
		srv.Shutdown()
		srv.WaitForShutdown()
		return nil, fmt.Errorf("the server does not come up at %s in %s: is the address in use, the directory writable, its disk full?", o.listen, o.data)
	}
	return srv, nil
}

func runStore(ctx context.Context, c *cobra.Command, o storeOptions) error {
	if err := os.MkdirAll(o.data, 0o750); err != nil {
		return fmt.Errorf("make data directory: %w", err)
	}
	unlock, err := journal.LockDir(o.data)
	if err != nil {
		return err
	}
	keys := o.keysSum()
	srv, err := o.start()
	if err != nil {
		return errors.Join(err, unlock())
	}
	how := map[bool]string{true: "over TLS", false: "without TLS"}[o.cert != ""]
	fmt.Fprintf(c.ErrOrStderr(), "keeping journals in %s, for services at nats://%s, %s  (Ctrl-C stops)\n", o.data, srv.Addr(), how)
	if o.cert != "" {
		if own, err := trust.Read(o.cert); err == nil && time.Until(own.NotAfter) < endsSoon { // it was read a moment ago
			fmt.Fprintf(c.ErrOrStderr(), "CAUTION: the certificate %s ends on %s, and nobody reaches this store after that: make a new one ('witnessmark tls make --store --replace') and hand out copies.\n",
				o.cert, own.NotAfter.Format(time.DateOnly))
		}
	}
	if o.plain {
		fmt.Fprintln(c.ErrOrStderr(), "CAUTION: nothing here encrypts what goes to other machines (--plain). Only a tunnel keeps others from reading the secret and writing the journal.")
	}
	o.keepKeys(ctx, srv, keys, lookAtKeys, func(text string) { fmt.Fprintln(c.ErrOrStderr(), text) })
	<-ctx.Done()
	srv.Shutdown()
	srv.WaitForShutdown()
	return unlock()
}
