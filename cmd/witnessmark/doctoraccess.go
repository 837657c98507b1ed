package main

import (
	"errors"
	"fmt"
	"io/fs"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"witnessmark/dashboards/access"
	"witnessmark/events"
	"witnessmark/events/trust"
)

// onLoopback reports whether an address host:port is reached from this machine
// alone.
func onLoopback(listen string) (bool, error) {
	host, _, err := net.SplitHostPort(listen)
	if err != nil {
		return false, err
	}
	return trust.OnLoopback(host), nil
}

func examineListen(cfg config, running bool) finding {
	here, err := onLoopback(cfg.Listen)
	switch {
	case err != nil:
		return finding{"pages", "wrong", fmt.Sprintf("listen %q: %v", cfg.Listen, err), "write it as 127.0.0.1:8470"}
	case here:
		return finding{What: "pages", State: "good", Text: "on this machine only (" + cfg.Listen + ")"}
	}
	state := map[bool]string{true: "are", false: "will be"}[running]
	return finding{What: "pages", State: "note", Text: fmt.Sprintf("%s open to other machines (%s)", state, cfg.Listen)}
}

// examineTLS says how the pages are reached.
func examineTLS(cfg config) finding {
	here, _ := onLoopback(cfg.Listen) // said by examineListen
	if cfg.TLSCert == "" {
		if here {
			return finding{What: "tls", State: "good", Text: "none; none is needed on this machine alone"}
		}
		return finding{"tls", "wrong", "none: the service refuses to open " + cfg.Listen + ", as secrets could be read on the way", "'witnessmark tls make' makes a certificate, or name your own with tls_cert and tls_key"}
	}
	if _, err := tlsConfig(cfg.TLSCert, cfg.TLSKey); err != nil {
		return finding{"tls", "wrong", err.Error(), "put that right; the service does not start so"}
	}
	cert, err := trust.Read(cfg.TLSCert)
	if err != nil {
		return finding{"tls", "wrong", err.Error(), "name a certificate in PEM form"}
	}
	kind := "issued by " + cert.Issuer.String()
	if trust.SelfSigned(cert) {
		kind = "vouches for itself"
	}
	f := finding{What: "tls", State: "good", Text: fmt.Sprintf("certificate for %s, %s, good until %s, SHA-256 %s", strings.Join(trust.Names(cert), ", "), kind, cert.NotAfter.Format("2006-01-02"), trust.Fingerprint(cert))}
	if time.Until(cert.NotAfter) < endsSoon {
		f.State, f.Todo = "note", "it ends within 30 days: renew it"
	}
	return f
}

// examineAccess says who can get in, and whether what is secret is shut.
func examineAccess(cfg config, shop events.Shop) []finding {
	sum, err := access.Look(cfg.accessDir())
	if err != nil {
		return []finding{{"access", "wrong", err.Error(), "put the file right before the service starts"}}
	}
	var found []finding
	owners := func() (names []string) {
		for _, p := range shop.People {
			if p.Role == events.RoleOwner && slices.Contains(sum.People, p.ID) {
				names = append(names, p.ID)
			}
		}
		return names
	}()
	switch {
	case !sum.Configured:
		found = append(found, finding{"access", "note", "no owner yet: nobody signs in; everybody at this machine may do everything, and the service opens no other address", "make an owner with the code that 'witnessmark serve' prints: 'witnessmark access begin PERSON'"})
	case len(owners) == 0:
		found = append(found, finding{"access", "wrong", "people sign in, but no owner of the shop file can", "start the service: it prints an owner code; the shop file needs a person with 'role: owner'"})
	default:
		found = append(found, finding{What: "access", State: "good", Text: "people sign in; owner: " + strings.Join(owners, ", ")})
	}
	if sum.Configured {
		var without []string
		for _, p := range shop.People {
			if !slices.Contains(sum.People, p.ID) {
				without = append(without, p.ID)
			}
		}
		if len(without) > 0 {
			found = append(found, finding{"people", "note", "cannot sign in, having no secret: " + strings.Join(without, ", "), "'witnessmark access secret PERSON' gives one; who only works at enrolled screens needs none"})
		}
		var gone []string
		for _, id := range sum.People {
			if !slices.ContainsFunc(shop.People, func(p events.Person) bool { return p.ID == id }) {
				gone = append(gone, id)
			}
		}
		if len(gone) > 0 {
			found = append(found, finding{"people", "note", "have a secret and are not in the shop file, so they cannot sign in: " + strings.Join(gone, ", "), "'witnessmark access forget PERSON' takes it away"})
		}
		var devices []string
		for _, d := range sum.Devices {
			devices = append(devices, fmt.Sprintf("%s (%s%s, last seen %s)", d.ID, d.Kind, map[bool]string{true: " at " + d.Bench}[d.Bench != ""], d.SeenUs.Time().Format("2006-01-02")))
		}
		found = append(found, finding{What: "screens", State: "good", Text: fmt.Sprintf("%d enrolled devices%s", len(devices), strings.TrimSuffix(": "+strings.Join(devices, ", "), ": "))})
	}
	return append(found, examineModes(cfg))
}

// examineModes looks whether others can read what is secret.
func examineModes(cfg config) finding {
	loose, err := access.Loose(cfg.accessDir())
	if err != nil {
		return finding{"secrets", "wrong", err.Error(), "run doctor as the user of the service"}
	}
	for _, name := range []string{filepath.Join(cfg.sealsDir(), "key"), cfg.TLSKey} {
		info, err := os.Stat(name)
		if errors.Is(err, fs.ErrNotExist) || name == "" {
			continue
		}
		if err == nil && info.Mode().Perm()&0o077 != 0 {
			loose[name] = info.Mode().Perm()
		}
	}
	if len(loose) == 0 {
		return finding{What: "secrets", State: "good", Text: "no file of secrets can be read by others"}
	}
	var names []string
	for name, mode := range loose {
		names = append(names, fmt.Sprintf("%s (%04o)", name, mode))
	}
	slices.Sort(names)
	return finding{"secrets", "wrong", "others can read " + strings.Join(names, ", "), "chmod go-rwx them; set new secrets or keys if somebody may have read them"}
}
