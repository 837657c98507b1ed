package main

import (
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"sort"
	"strconv"
	"strings"
	"time"

	"github.com/knadh/koanf/parsers/yaml"
	"github.com/knadh/koanf/providers/env/v2"
	"github.com/knadh/koanf/providers/posflag"
	"github.com/knadh/koanf/providers/rawbytes"
	"github.com/knadh/koanf/providers/structs"
	"github.com/knadh/koanf/v2"
	"github.com/spf13/cobra"

	"witnessmark/dashboards/access"
	"witnessmark/ingest"
	"witnessmark/ingest/profile"
)

// config is what the service runs with: defaults, then the configuration
// file, then environment variables, then flags.
type config struct {
	Data        string `koanf:"data"`         // directory of journal, ledger, snapshot
	Shop        string `koanf:"shop"`         // shop file
	Listen      string `koanf:"listen"`       // host:port of the pages
	TLSCert     string `koanf:"tls_cert"`     // certificate of the pages, PEM; "" for none
	TLSKey      string `koanf:"tls_key"`      // its key
	NATSURL     string `koanf:"nats_url"`     // "" for the embedded server
	NATSTrust   string `koanf:"nats_trust"`   // file of the certificates of nats_url, "system"; "": none is needed on loopback
	NATSSecret  string `koanf:"nats_secret"`  // file with the secret of nats_url
	NATSPlain   string `koanf:"nats_plain"`   // yes, no: speak without TLS to other machines
	Member      string `koanf:"member"`       // name of this process among those that share the rules; "": machine and data directory
	Replicas    int    `koanf:"replicas"`     // on how many nodes of a NATS cluster a new journal is kept
	Profiles    string `koanf:"profiles"`     // directory of the shop's own profiles
	Box         string `koanf:"box"`          // file of this bench box, with --role bench
	BoxesListen string `koanf:"boxes_listen"` // host:port for bench boxes; "" for none
	ClockLimit  string `koanf:"clock_limit"`  // by how much a bench box's clock may be off
	Alerts      string `koanf:"alerts"`       // file that says which alerts leave the house, and how
	Chain       string `koanf:"chain"`        // NATS address of the hub's store, whose shops the pages show; "" for none
	Kept        string `koanf:"checkpoints"`  // where signed checkpoints are kept besides: directories, addresses of witnesses
	JournalMax  string `koanf:"journal_max"`  // size limit of the journal
	MinFree     string `koanf:"min_free"`     // free disk space below which nothing is taken
	LogLevel    string `koanf:"log_level"`    // debug, info, warn, error
	LogFormat   string `koanf:"log_format"`   // text, json

	acceptLoss bool   // open a journal whose end is missing; a flag alone, so that it is never left on
	banner     string // shown on every page; set by the demonstration
	// openPort opens ports instead of the serial library; set by 'bench'.
	openPort func(name string, line profile.Line) (ingest.Port, error)
	now      func() time.Time              // the wall clock; nil: time.Now; set by tests
	cost     access.Cost                   // of a look at a secret; zero: the usual one; set by tests
	steady   func() (time.Duration, error) // what steps of now are measured against; nil: the machine's own; set by tests
	// snapshotEvery and sealEvery are for drills; 0: as the packages have it.
	snapshotEvery int           // decisions between snapshots
	sealEvery     time.Duration // between seals
	silent        bool          // no log: of drills that damage things on purpose
	file          string        // the configuration file that was read, "" if none
}

func defaultConfig() config {
	return config{
		Data: "witnessmark-data", Shop: "shop.yaml", Listen: "127.0.0.1:8470",
		NATSPlain: "no", Replicas: 1, ClockLimit: "30s", JournalMax: "50 GiB", MinFree: "256 MiB", LogLevel: "info", LogFormat: "text",
	}
}

const envPrefix = "WITNESSMARK_"

// configKeys are the settings in the order in which they are printed, with
// what they mean.
var configKeys = []struct{ key, flag, help string }{
	{"data", "data", "directory for journal, ledger and snapshot"},
	{"shop", "shop", "shop file: benches, people, tools, devices (see 'witnessmark shop example')"},
	{"listen", "listen", "address of the pages; another than loopback needs an owner and TLS"},
	{"tls_cert", "tls-cert", "certificate of the pages (PEM); 'witnessmark tls make' makes one"},
	{"tls_key", "tls-key", "key of that certificate (PEM), which nobody else may read"},
	{"nats_url", "nats-url", "an external NATS server with JetStream; empty: the embedded one"},
	{"nats_trust", "nats-trust", "file with the certificates of the stores of nats_url, or 'system' for the authorities of this machine; on another machine one is needed"},
	{"nats_secret", "nats-secret", "file with the secret of the stores of nats_url, the one of their --secret-file"},
	{"nats_plain", "nats-plain", "yes: speak without TLS to stores on other machines, because a tunnel encrypts"},
	{"member", "member", "name of this process among those that share the rules over nats_url; empty: made from machine and data directory"},
	{"replicas", "replicas", "on how many nodes of a NATS cluster a new journal is kept: 1, 3 or 5"},
	{"profiles", "profiles", "directory of your own tool profiles (*.yaml), besides the shipped ones"},
	{"box", "box", "file of this bench box, for serve --role bench; 'witnessmark bench-box enrol' writes it at the shop"},
	{"boxes_listen", "boxes-listen", "address at which bench boxes connect, such as 0.0.0.0:8471; empty: none may"},
	{"clock_limit", "clock-limit", "by how much a bench box's clock may be off before people are told"},
	{"alerts", "alerts", "file of routes for alerts that leave the house (webhook, mail, horn); 'witnessmark shop alerts' prints an example"},
	{"chain", "chain", "address of the store of a chain's hub (nats://…); then the page Chain shows all its shops"},
	{"checkpoints", "checkpoints", "where each signed checkpoint is kept besides: directories on other machines, addresses of witnesses (https://…), parted by commas"},
	{"journal_max", "journal-max", "the journal refuses to grow beyond this"},
	{"min_free", "min-free", "stop taking readings when less disk than this is free"},
	{"log_level", "log-level", "debug, info, warn or error"},
	{"log_format", "log-format", "text or json"},
}

// addConfigFlags gives cmd a flag for each of the named settings, or for all.
func addConfigFlags(cmd *cobra.Command, keys ...string) {
	d := defaultConfig()
	defaults := map[string]string{
		"replicas": "1", "nats_plain": d.NATSPlain,
		"data": d.Data, "shop": d.Shop, "listen": d.Listen, "clock_limit": d.ClockLimit, "journal_max": d.JournalMax,
		"min_free": d.MinFree, "log_level": d.LogLevel, "log_format": d.LogFormat,
	}
	if slices.Contains(keys, "nats_url") { // where it is and how it is spoken to go together
		keys = append(keys, linkKeys...)
	}
	for _, k := range configKeys {
		if len(keys) == 0 || slices.Contains(keys, k.key) {
			cmd.Flags().String(k.flag, defaults[k.key], k.help+" ["+envPrefix+strings.ToUpper(k.key)+"]")
		}
	}
}

// loadConfig reads defaults, file, environment and cmd's flags, in this order.
func loadConfig(cmd *cobra.Command) (config, error) {
	cfg := defaultConfig()
	k := koanf.New(".")
	if err := k.Load(structs.Provider(cfg, "koanf"), nil); err != nil {
		return cfg, fmt.Errorf("load default configuration: %w", err)
	}
	file, err := configFile(cmd)
	if err != nil {
		return cfg, err
	}
	if file != "" {
		text, err := os.ReadFile(file)
		if err != nil {
			return cfg, fmt.Errorf("read configuration: %w", err)
		}
		if err := k.Load(rawbytes.Provider(text), yaml.Parser()); err != nil {
			return cfg, fmt.Errorf("read configuration %s: %w", file, err)
		}
	}
	if err := k.Load(env.Provider(".", env.Opt{Prefix: envPrefix, TransformFunc: func(name, v string) (string, any) {
		key := strings.ToLower(strings.TrimPrefix(name, envPrefix))
		if key == "config" || key == "by" || key == "token" { // read elsewhere
			return "", nil
		}
		return key, v
	}}), nil); err != nil {
		return cfg, fmt.Errorf("read environment: %w", err)
	}
	flags := cmd.Flags()
	if err := k.Load(posflag.ProviderWithValue(flags, ".", k, func(name, v string) (string, any) {
		key := strings.ReplaceAll(name, "-", "_")
		if !isConfigKey(key) {
			return "", nil
		}
		return key, v
	}), nil); err != nil {
		return cfg, fmt.Errorf("read flags: %w", err)
	}
	if err := unknownKeys(k, file); err != nil {
		return cfg, err
	}
	if err := k.Unmarshal("", &cfg); err != nil {
		return cfg, fmt.Errorf("read configuration: %w", err)
	}
	cfg.file = file
	if flags.Lookup(acceptLossFlag) != nil {
		cfg.acceptLoss, _ = flags.GetBool(acceptLossFlag)
	}
	return cfg, cfg.validate()
}

const acceptLossFlag = "accept-loss"

func addAcceptLoss(cmd *cobra.Command) {
	cmd.Flags().Bool(acceptLossFlag, false, "open a journal whose last events are missing, once, and go on without them; keep a copy of the data directory first")
}

func isConfigKey(key string) bool {
	return slices.ContainsFunc(configKeys, func(k struct{ key, flag, help string }) bool { return k.key == key })
}

func configFile(cmd *cobra.Command) (string, error) {
	if f, _ := cmd.Flags().GetString("config"); f != "" {
		return f, nil
	}
	if f := os.Getenv(envPrefix + "CONFIG"); f != "" {
		return f, nil
	}
	const here = "witnessmark.yaml"
	if _, err := os.Stat(here); err == nil {
		return here, nil
	} else if !errors.Is(err, fs.ErrNotExist) {
		return "", fmt.Errorf("read configuration: %w", err)
	}
	return "", nil
}

func unknownKeys(k *koanf.Koanf, file string) error {
	var wrong []string
	for _, key := range k.Keys() {
		if !isConfigKey(key) {
			wrong = append(wrong, key)
		}
	}
	if len(wrong) == 0 {
		return nil
	}
	sort.Strings(wrong)
	var known []string
	for _, c := range configKeys {
		known = append(known, c.key)
	}
	from := "the environment (" + envPrefix + "…)"
	if file != "" {
		from = file + " or " + from
	}
	return usageError("unknown setting %s in %s\nsettings are: %s", strings.Join(wrong, ", "), from, strings.Join(known, ", "))
}

func (c config) validate() error {
	if c.Data == "" {
		return usageError("setting data is empty: name a directory for the journal")
	}
	if (c.TLSCert == "") != (c.TLSKey == "") {
		return usageError("settings tls_cert and tls_key: name both, or neither")
	}
	if c.Chain != "" && hostOf(c.Chain) == "" {
		return usageError("setting chain is %q: want the address of the hub's store, such as nats://10.0.0.9:4222", c.Chain)
	}
	if _, err := parseSize(c.JournalMax); err != nil {
		return usageError("setting journal_max: %v", err)
	}
	if d, err := time.ParseDuration(c.ClockLimit); err != nil || d <= 0 {
		return usageError("setting clock_limit is %q: want a time above zero, such as 30s or 2m", c.ClockLimit)
	}
	if _, err := parseSize(c.MinFree); err != nil {
		return usageError("setting min_free: %v", err)
	}
	if c.Replicas != 1 && c.Replicas != 3 && c.Replicas != 5 || c.Replicas > 1 && c.NATSURL == "" {
		return usageError("setting replicas is %d: want 1, or with nats_url 3 or 5", c.Replicas)
	}
	if c.NATSPlain != "yes" && c.NATSPlain != "no" {
		return usageError("setting nats_plain is %q: want yes or no", c.NATSPlain)
	}
	if c.NATSPlain == "yes" && c.NATSTrust != "" {
		return usageError("settings nats_plain and nats_trust: the one says to speak without TLS, the other whose certificate to trust; leave one out")
	}
	var l slog.Level
	if err := l.UnmarshalText([]byte(c.LogLevel)); err != nil {
		return usageError("setting log_level is %q: want debug, info, warn or error", c.LogLevel)
	}
	if c.LogFormat != "text" && c.LogFormat != "json" {
		return usageError("setting log_format is %q: want text or json", c.LogFormat)
	}
	return nil
}

func (c config) logger() *slog.Logger {
	if c.silent {
		return slog.New(slog.DiscardHandler)
	}
	var l slog.Level
	_ = l.UnmarshalText([]byte(c.LogLevel)) // validated
	opts := &slog.HandlerOptions{Level: l}
	if c.LogFormat == "json" {
		return slog.New(slog.NewJSONHandler(os.Stderr, opts))
	}
	return slog.New(slog.NewTextHandler(os.Stderr, opts))
}

func (c config) journalDir() string { return filepath.Join(c.Data, "journal") }

// keptPlaces are the places of the setting checkpoints.
func (c config) keptPlaces() []string {
	return strings.FieldsFunc(c.Kept, func(r rune) bool { return r == ',' || r == ' ' })
}

func (c config) ledgerPath() string   { return filepath.Join(c.Data, "ledger.db") }
func (c config) accessDir() string    { return filepath.Join(c.Data, "access") }
func (c config) chainDir() string     { return filepath.Join(c.Data, "chain") }
func (c config) snapshotPath() string { return filepath.Join(c.Data, "state.snapshot") }

// print writes what is in force as a configuration file.
func (c config) print() string {
	values := map[string]string{
		"data": c.Data, "shop": c.Shop, "listen": c.Listen, "tls_cert": c.TLSCert, "tls_key": c.TLSKey, "nats_url": c.NATSURL, "nats_trust": c.NATSTrust, "nats_secret": c.NATSSecret, "nats_plain": c.NATSPlain, "member": c.Member, "replicas": strconv.Itoa(c.Replicas), "profiles": c.Profiles, "alerts": c.Alerts, "chain": c.Chain, "checkpoints": c.Kept, "box": c.Box, "boxes_listen": c.BoxesListen, "clock_limit": c.ClockLimit,
		"journal_max": c.JournalMax, "min_free": c.MinFree, "log_level": c.LogLevel, "log_format": c.LogFormat,
	}
	var b strings.Builder
	if c.file != "" {
		fmt.Fprintf(&b, "# in force: %s, with %s… and flags over it\n", c.file, envPrefix)
	} else {
		fmt.Fprintf(&b, "# in force: no configuration file; %s… and flags over the defaults\n", envPrefix)
	}
	for _, k := range configKeys {
		fmt.Fprintf(&b, "%s: %q  # %s\n", k.key, values[k.key], k.help)
	}
	return b.String()
}
