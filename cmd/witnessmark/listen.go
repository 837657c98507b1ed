package main

import (
	"crypto/tls"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"time"

	"witnessmark/events/trust"
)

// newServer is the server of the pages. A request has to come in within these
// times; how long an answer may take each handler says, as live streams stay
// open.
func newServer(h http.Handler, log *slog.Logger) *http.Server {
	return &http.Server{
		Handler:           h,
		ReadHeaderTimeout: 10 * time.Second,
		ReadTimeout:       60 * time.Second,
		IdleTimeout:       2 * time.Minute,
		MaxHeaderBytes:    64 << 10,
		ErrorLog:          slog.NewLogLogger(log.Handler(), slog.LevelWarn),
	}
}

// openListener opens the address of the pages, behind TLS if there is a
// certificate.
func (s *stack) openListener() error {
	var conf *tls.Config
	if s.cfg.TLSCert != "" {
		var err error
		if conf, err = tlsConfig(s.cfg.TLSCert, s.cfg.TLSKey); err != nil {
			return err
		}
	}
	l, err := net.Listen("tcp", s.cfg.Listen)
	if err != nil {
		return fmt.Errorf("open %s for the pages: %w; name another address with --listen", s.cfg.Listen, err)
	}
	l = bounded(l, len(s.shop.Devices)) // below TLS, which the server must see
	s.listen = l
	if conf != nil {
		s.listen = tls.NewListener(l, conf)
	}
	return nil
}

// strict tells browsers never to come without TLS again, where the certificate
// is one that they trust by themselves. With one that vouches for itself that
// would lock people out when it changes.
func (s *stack) strict(h http.Handler) (http.Handler, error) {
	if s.cfg.TLSCert == "" {
		return h, nil
	}
	cert, err := trust.Read(s.cfg.TLSCert)
	if err != nil || trust.SelfSigned(cert) {
		return h, err
	}
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Strict-Transport-Security", "max-age=31536000")
		h.ServeHTTP(w, r)
	}), nil
}

// mayListen refuses an address that other machines reach while everybody could
// do everything there, or secrets would go over the wire for all to read.
func (s *stack) mayListen() error {
	if isLoopback(s.listen.Addr()) {
		return nil
	}
	if !s.access.Configured() {
		return fmt.Errorf("listen on %s: other machines could reach it, and nobody has to sign in yet; "+
			"start once with --listen 127.0.0.1:8470, make an owner with the code that it prints ('witnessmark access begin', or the page /begin), then open it", s.cfg.Listen)
	}
	if s.cfg.TLSCert == "" {
		return fmt.Errorf("listen on %s: without TLS secrets would go over the network for all to read; "+
			"'witnessmark tls make' makes a certificate and says which settings name it; or keep the pages on loopback behind a proxy of yours", s.cfg.Listen)
	}
	return nil
}

// offerOwnerCode prints a code with which an owner is made, as long as no owner
// can sign in. It goes to the terminal, never to the log.
func (s *stack) offerOwnerCode(w io.Writer) {
	if !s.access.OwnerMissing() {
		return
	}
	fmt.Fprintf(w, "\nNo owner can sign in%s. To make one: %s/begin, or 'witnessmark access begin PERSON'.\n"+
		"  Owner code, good once, until the service stops: %s\n\n",
		map[bool]string{true: "", false: " yet, so everybody at this machine may do everything, and nobody else anything"}[s.access.Configured()], s.url(), s.access.NewOwnerCode())
}
