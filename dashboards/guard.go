package dashboards

import (
	"net"
	"net/http"
	"slices"
)

// contentPolicy lets a page load its own files and nothing else: no script or
// style in the page, nothing from other hosts, no frames around it.
const contentPolicy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; " +
	"connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"

// maxForm is the greatest body of a form, in bytes; a reason is a sentence.
const maxForm = 64 << 10

// guard refuses what comes from another site's page, and sets the headers
// that all answers have. deny writes the refusal.
func guard(next http.Handler, hosts []string, deny func(http.ResponseWriter, *http.Request, string)) http.Handler {
	cross := http.NewCrossOriginProtection()
	cross.SetDenyHandler(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		deny(w, r, "This request came from another site's page. Nothing was done.")
	}))
	inner := cross.Handler(next)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", contentPolicy)
		h.Set("X-Frame-Options", "DENY")
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Permissions-Policy", "camera=(), microphone=(), geolocation=(), payment=(), usb=(), serial=()")
		h.Set("Referrer-Policy", "same-origin")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		if !knownHost(r, hosts) {
			deny(w, r, "These pages are not served under the name "+r.Host+". Nothing was done.")
			return
		}
		inner.ServeHTTP(w, r)
	})
}

// knownHost reports whether the request names this machine. On a loopback
// address only loopback names and those in hosts are taken: a foreign page
// whose name was pointed at 127.0.0.1 would otherwise pass for our own.
func knownHost(r *http.Request, hosts []string) bool {
	local, ok := r.Context().Value(http.LocalAddrContextKey).(net.Addr)
	if !ok {
		return true // no socket: a test, or a call in process
	}
	tcp, ok := local.(*net.TCPAddr)
	if !ok || !tcp.IP.IsLoopback() {
		return true
	}
	name := r.Host
	if h, _, err := net.SplitHostPort(r.Host); err == nil {
		name = h
	}
	if name == "localhost" || slices.Contains(hosts, name) {
		return true
	}
	ip := net.ParseIP(name)
	return ip != nil && ip.IsLoopback()
}
