package main

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/nats-io/nkeys"
	"github.com/spf13/cobra"

	"witnessmark/events"
	"witnessmark/events/journal"
	"witnessmark/events/trust"
)

func newBenchBox() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "bench-box",
		Short: "Let a machine at a bench capture by itself",
		Long: `A bench box is a machine at a bench that runs 'serve --role bench': it reads the
tools plugged into it and keeps every reading on its own disk, whether the shop
can be reached or not. A tool that waits for an answer gets it from the box. The
readings flow to the shop by themselves, at once or once the line is back; those
that came late are marked, and judged with the time at which they were taken.

  1. At the shop:  witnessmark bench-box enrol axle-box --address 10.0.0.5:8471
     It writes axle-box.json, which holds the box's secret key, and says what to
     put into the shop file and the settings.
  2. Restart the service of the shop.
  3. Bring the program, the shop file and axle-box.json to the box, and there:
     witnessmark serve --role bench --box axle-box.json

A box may hand in what its own tools said, and nothing else: it can read, change
and delete nothing at the shop, and write no verdicts. If one is stolen, take it
out of the shop file and restart the service; its key is worth nothing then.`,
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error { return c.Help() },
	}
	cmd.AddCommand(newBoxEnrol(), newBoxStatus())
	return cmd
}

// boxFile is what a bench box is given: who it is, where its shop is, and its
// secret key.
type boxFile struct {
	Form    int    `json:"form"` // 1
	Shop    string `json:"shop"`
	Box     string `json:"box"`
	Address string `json:"address"` // host:port where the shop takes bench boxes
	Key     string `json:"key"`     // public
	Secret  string `json:"secret"`  // nkey seed
	// Certificate is the shop's, in PEM: the box speaks to nobody else.
	Certificate string `json:"certificate"`
	// First holds the last number that the shop has of each of the box's sources.
	First map[string]uint64 `json:"last_numbers,omitempty"`
}

func newBoxEnrol() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "enrol BOX",
		Short: "Make a key for a bench box, and say what to do on both sides",
		Long: `Makes a new key for a bench box and writes it to BOX.json, with the shop's address
and certificate. Prints what to add to the shop file and the settings.

To replace a box, enrol it again under its name: the new one counts on where the
old one stopped, and the old key is worth nothing once it is out of the shop file.`,
		Example: "  witnessmark bench-box enrol axle-box --address 10.0.0.5:8471",
		Args:    cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			cfg, err := loadConfig(c)
			if err != nil {
				return err
			}
			address, _ := c.Flags().GetString("address")
			out, _ := c.Flags().GetString("output")
			return enrolBox(c, cfg, args[0], address, out)
		},
	}
	addConfigFlags(cmd, "data", "shop")
	cmd.Flags().String("address", "", "host:port at which the box reaches the shop, such as 10.0.0.5:8471")
	cmd.Flags().StringP("output", "o", "", "file to write; default BOX.json")
	return cmd
}

func enrolBox(c *cobra.Command, cfg config, id, address, out string) error {
	if !idForm.MatchString(id) {
		return usageError("bench box %q: want 1 to 40 lower-case letters, digits and '-'", id)
	}
	host, port, err := net.SplitHostPort(address)
	if err != nil || host == "" || port == "" {
		return usageError("--address is %q: want host:port at which the box reaches the shop, such as 10.0.0.5:8471", address)
	}
	shop, err := readShop(cfg.Shop)
	if err != nil {
		return err
	}
	if out == "" {
		out = id + ".json"
	}
	if err := os.MkdirAll(cfg.boxesDir(), 0o700); err != nil {
		return fmt.Errorf("make directory for the certificate: %w", err)
	}
	cert, err := boxCertificate(cfg.boxesDir())
	if err != nil {
		return err
	}
	key, err := nkeys.CreateUser()
	if err != nil {
		return fmt.Errorf("make a key: %w", err)
	}
	seed, err1 := key.Seed()
	public, err2 := key.PublicKey()
	if err := errors.Join(err1, err2); err != nil {
		return fmt.Errorf("make a key: %w", err)
	}
	numbers, err := journal.KnownNumbers(cfg.journalDir())
	if err != nil {
		return err
	}
	f := boxFile{Form: 1, Shop: shop.ID, Box: id, Address: address, Key: public, Secret: string(seed), Certificate: string(cert), First: map[string]uint64{}}
	for _, d := range shop.Devices {
		if n := numbers[events.DeviceSource(d.ID)]; n > 0 && (d.Box == id || d.Box == "") {
			f.First[events.DeviceSource(d.ID)] = n
		}
	}
	b, err := json.MarshalIndent(f, "", "  ")
	if err != nil {
		return err
	}
	if err := writeSecret(out, append(b, '\n')); err != nil {
		return err
	}
	fmt.Fprintf(c.OutOrStdout(), `%[1]s is the file for bench box %[2]s. It holds its secret key: bring it there, and keep no copy.

In the shop file %[3]s, in place of an older line of the same box:

boxes:
  - {id: %[2]s, key: %[4]s}

and at each device that is plugged into the box:   box: %[2]s

In the settings of the shop (or as flag --boxes-listen):

boxes_listen: "0.0.0.0:%[5]s"

Then restart the service of the shop. On the box, with the same shop file:

  witnessmark shop check shop.yaml
  witnessmark serve --role bench --box %[6]s
`, out, id, cfg.Shop, public, port, filepath.Base(out))
	return nil
}

// writeSecret writes a file that only its owner may read, and never over another.
func writeSecret(name string, b []byte) error {
	f, err := os.OpenFile(name, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if errors.Is(err, fs.ErrExist) {
		return fmt.Errorf("write %s: it is there already; move it away, or name another with -o", name)
	}
	if err != nil {
		return fmt.Errorf("write %s: %w", name, err)
	}
	_, err = f.Write(b)
	if err := errors.Join(err, f.Sync(), f.Close()); err != nil {
		return fmt.Errorf("write %s: %w", name, err)
	}
	return nil
}

func readBoxFile(name string) (f boxFile, err error) {
	if name == "" {
		return f, usageError("serve --role bench wants --box FILE: the file that 'witnessmark bench-box enrol' wrote at the shop")
	}
	b, err := os.ReadFile(name)
	if err != nil {
		return f, fmt.Errorf("read file of this bench box: %w; 'witnessmark bench-box enrol' makes it at the shop", err)
	}
	if err := json.Unmarshal(b, &f); err != nil || f.Form != 1 || f.Secret == "" || f.Address == "" {
		return f, fmt.Errorf("read file of this bench box %s: it is damaged or of a newer version; enrol the box again at the shop", name)
	}
	return f, nil
}

// boxesDir is where the certificate lies that the shop shows to bench boxes.
func (c config) boxesDir() string { return filepath.Join(c.Data, "boxes") }

// boxServerName is the name in that certificate. A box trusts that certificate
// alone, so the name says nothing of where the shop is.
const boxServerName = "bench-boxes.shop.internal"

// boxCertificate returns the certificate in PEM, made anew if there is none.
func boxCertificate(dir string) ([]byte, error) {
	certFile, keyFile := filepath.Join(dir, "cert.pem"), filepath.Join(dir, "key.pem")
	cert, err := os.ReadFile(certFile)
	if err == nil {
		return cert, nil
	}
	if !errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("read certificate for bench boxes: %w", err)
	}
	// A box whose clock is off must still come in, so that it can be told.
	t := &x509.Certificate{
		Subject: pkix.Name{CommonName: boxServerName}, DNSNames: []string{boxServerName},
		NotBefore: time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC), NotAfter: time.Date(2100, 1, 1, 0, 0, 0, 0, time.UTC),
		KeyUsage: x509.KeyUsageDigitalSignature | x509.KeyUsageCertSign, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth},
		IsCA: true, BasicConstraintsValid: true,
	}
	cert, key, err := trust.Make(t)
	if err != nil {
		return nil, fmt.Errorf("certificate for bench boxes: %w", err)
	}
	if err := os.WriteFile(keyFile, key, 0o600); err != nil {
		return nil, fmt.Errorf("write certificate for bench boxes: %w", err)
	}
	if err := os.WriteFile(certFile, cert, 0o644); err != nil {
		return nil, fmt.Errorf("write certificate for bench boxes: %w", err)
	}
	return cert, nil
}

// boxesOf says how the shop takes bench boxes; nil if it takes none.
func boxesOf(cfg config, shop events.Shop) (*journal.Boxes, error) {
	if cfg.BoxesListen == "" {
		if i := slices.IndexFunc(shop.Devices, func(d events.Device) bool { return d.Box != "" }); i >= 0 {
			return nil, fmt.Errorf("device %q is plugged into bench box %q, but no address is set for bench boxes: set boxes_listen, such as 0.0.0.0:8471", shop.Devices[i].ID, shop.Devices[i].Box)
		}
		return nil, nil
	}
	pair, err := tls.LoadX509KeyPair(filepath.Join(cfg.boxesDir(), "cert.pem"), filepath.Join(cfg.boxesDir(), "key.pem"))
	if err != nil {
		return nil, fmt.Errorf("read certificate for bench boxes: %w; 'witnessmark bench-box enrol' makes one", err)
	}
	b := &journal.Boxes{Listen: cfg.BoxesListen, TLS: &tls.Config{Certificates: []tls.Certificate{pair}, MinVersion: tls.VersionTLS13}}
	for _, x := range shop.Boxes {
		b.Boxes = append(b.Boxes, journal.Box{ID: x.ID, Key: x.Key})
	}
	return b, nil
}

func (f *boxFile) uplink() (*journal.Uplink, error) {
	pool := x509.NewCertPool()
	if !pool.AppendCertsFromPEM([]byte(f.Certificate)) {
		return nil, fmt.Errorf("the certificate in the file of bench box %q cannot be read; enrol the box again at the shop", f.Box)
	}
	return &journal.Uplink{Box: f.Box, Shop: f.Address, Seed: []byte(f.Secret), First: f.First,
		TLS: &tls.Config{RootCAs: pool, ServerName: boxServerName, MinVersion: tls.VersionTLS13}}, nil
}

// devicesOf returns the devices of a bench box, or with box "" those of the shop's
// own machine.
func devicesOf(shop events.Shop, box string) (out []events.Device) {
	for _, d := range shop.Devices {
		if d.Box == box {
			out = append(out, d)
		}
	}
	return out
}

func newBoxStatus() *cobra.Command {
	cmd := &cobra.Command{
		Use:     "status",
		Short:   "Say, on a bench box, whether it captures and reaches the shop",
		Example: "  witnessmark bench-box status",
		Args:    cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			cfg, err := loadConfig(c)
			if err != nil {
				return err
			}
			b, err := fetchText(c.Context(), "http://"+cfg.Listen+"/status")
			if err != nil {
				return fmt.Errorf("ask the bench box at %s: %w; does 'witnessmark serve --role bench' run here?", cfg.Listen, err)
			}
			_, err = fmt.Fprintln(c.OutOrStdout(), strings.TrimSpace(string(b)))
			return err
		},
	}
	addConfigFlags(cmd, "listen")
	return cmd
}

// fetchText gets a small text from this machine.
func fetchText(ctx context.Context, url string) ([]byte, error) {
	ctx, cancel := context.WithTimeout(ctx, 5*time.Second)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, url, nil)
	if err != nil {
		return nil, err
	}
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		return nil, err
	}
	defer resp.Body.Close()
	b, err := io.ReadAll(io.LimitReader(resp.Body, 1<<20))
	if err == nil && resp.StatusCode != http.StatusOK {
		err = fmt.Errorf("it answers %s", resp.Status)
	}
	return b, err
}
