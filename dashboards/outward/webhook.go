package outward

import (
	"bytes"
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/netip"
	"strconv"
	"strings"
	"syscall"
	"time"

	"witnessmark/events"
)

const (
	sendTime   = 10 * time.Second
	mostAnswer = 4 << 10 // bytes of an answer that are read
)

// decodeSecret reads a secret of the Standard Webhooks specification.
func decodeSecret(s string) ([]byte, error) {
	b, err := base64.StdEncoding.DecodeString(strings.TrimPrefix(s, "whsec_"))
	if err != nil || len(b) < 24 || len(b) > 64 {
		return nil, errors.New("want 24 to 64 bytes in base64; 'openssl rand -base64 32' makes them")
	}
	return b, nil
}

// Sign returns the signature over a message: "v1," and the base64 of
// HMAC-SHA256 over id, timestamp (s since 1970) and body, joined by dots.
// Source: Standard Webhooks specification 1.0.0, "Signature scheme".
func Sign(secret []byte, id string, at time.Time, body []byte) string {
	m := hmac.New(sha256.New, secret)
	fmt.Fprintf(m, "%s.%d.", id, at.Unix())
	m.Write(body)
	return "v1," + base64.StdEncoding.EncodeToString(m.Sum(nil))
}

// cloudEvent is the body: a CloudEvent 1.0 in structured JSON.
type cloudEvent struct {
	SpecVersion string             `json:"specversion"`
	ID          string             `json:"id"`
	Source      string             `json:"source"`
	Type        string             `json:"type"`
	Subject     string             `json:"subject,omitempty"`
	Time        string             `json:"time"`
	ContentType string             `json:"datacontenttype"`
	Data        events.AlertRaised `json:"data"`
}

// post sends an alert to a webhook. The id is the same at each try, so that
// the other side can tell a second one.
func (w *Webhook) post(ctx context.Context, shop string, a *events.AlertRaised, now time.Time) error {
	id := shop + "-" + a.Alert
	body, err := json.Marshal(cloudEvent{
		SpecVersion: "1.0", ID: id, Source: "wm/" + shop + "/rules", Type: "witnessmark.alert.raised.v1", Subject: a.Job,
		Time: a.AtUs.Time().Format(time.RFC3339Nano), ContentType: "application/json", Data: *a,
	})
	if err != nil {
		return fmt.Errorf("write alert: %w", err)
	}
	ctx, cancel := context.WithTimeout(ctx, sendTime)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, w.URL, bytes.NewReader(body))
	if err != nil {
		return err
	}
	req.Header.Set("Content-Type", "application/cloudevents+json")
	req.Header.Set("Webhook-Id", id)
	req.Header.Set("Webhook-Timestamp", strconv.FormatInt(now.Unix(), 10))
	req.Header.Set("Webhook-Signature", Sign(w.secret, id, now, body))
	resp, err := w.client().Do(req)
	if err != nil {
		return fmt.Errorf("call webhook: %w", err)
	}
	defer resp.Body.Close()
	answer, _ := io.ReadAll(io.LimitReader(resp.Body, mostAnswer))
	if resp.StatusCode/100 != 2 {
		return fmt.Errorf("call webhook: it answers %s: %.200s", resp.Status, strings.Join(strings.Fields(string(answer)), " "))
	}
	return nil
}

// client follows no redirects, uses no proxy and, unless private addresses are
// allowed, dials public ones only: the address is checked after the name is
// resolved, so that a name cannot point into the shop's network.
func (w *Webhook) client() *http.Client {
	d := &net.Dialer{Timeout: sendTime}
	if !w.Private {
		d.Control = func(_, address string, _ syscall.RawConn) error { return publicOnly(address) }
	}
	return &http.Client{
		Transport:     &http.Transport{DialContext: d.DialContext, DisableKeepAlives: true, TLSHandshakeTimeout: sendTime},
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	}
}

var errPrivate = errors.New("the address is not a public one; say private: true if the webhook is in the shop's own network")

// notPublic are ranges that net/netip does not know as private. Source: IANA
// special-purpose address registries (RFC 6890 and its updates).
var notPublic = []netip.Prefix{
	netip.MustParsePrefix("0.0.0.0/8"), netip.MustParsePrefix("100.64.0.0/10"), netip.MustParsePrefix("192.0.0.0/24"),
	netip.MustParsePrefix("192.0.2.0/24"), netip.MustParsePrefix("198.18.0.0/15"), netip.MustParsePrefix("198.51.100.0/24"),
	netip.MustParsePrefix("203.0.113.0/24"), netip.MustParsePrefix("240.0.0.0/4"), netip.MustParsePrefix("64:ff9b::/96"),
	netip.MustParsePrefix("100::/64"), netip.MustParsePrefix("2001:db8::/32"), netip.MustParsePrefix("2002::/16"),
}

func publicOnly(address string) error {
	ap, err := netip.ParseAddrPort(address)
	if err != nil {
		return errPrivate
	}
	ip := ap.Addr().Unmap()
	if ip.IsPrivate() || !ip.IsGlobalUnicast() {
		return errPrivate
	}
	for _, p := range notPublic {
		if p.Contains(ip) {
			return errPrivate
		}
	}
	return nil
}

func hostPort(s string) (host string, port int, err error) {
	h, p, err := net.SplitHostPort(s)
	if err != nil {
		return "", 0, err
	}
	port, err = strconv.Atoi(p)
	if err != nil || port < 1 || port > 65535 || h == "" {
		return "", 0, errors.New("want host:port")
	}
	return h, port, nil
}
