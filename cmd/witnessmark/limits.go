package main

import (
	"net"
	"net/http"
	"time"

	"golang.org/x/net/netutil"
	"golang.org/x/sys/unix"
)

// Open files. Each browser connection takes one; the ports, the journal and
// the ledger take theirs when they need them, and without one a reading is not
// stored. So connections are counted, and the rest is kept for the store.
const (
	leastFiles = 256  // below that there is not enough for a store, its ports and a few screens
	storeFiles = 160  // kept for journal, ledger, seals and ports
	mostConns  = 2048 // at once; benches are few
)

// bounded lets no more connections in at once than leave files for the store.
// Further ones wait until one is closed.
func bounded(l net.Listener, devices int) net.Listener {
	return netutil.LimitListener(buffered{l}, connections(devices))
}

// buffered bounds what the kernel keeps for a browser that does not read.
type buffered struct{ net.Listener }

func (b buffered) Accept() (net.Conn, error) {
	c, err := b.Listener.Accept()
	if t, ok := c.(*net.TCPConn); ok {
		_ = t.SetWriteBuffer(sendBuffer) // else it is larger
	}
	return c, err
}

func connections(devices int) int {
	var r unix.Rlimit
	if unix.Getrlimit(unix.RLIMIT_NOFILE, &r) != nil {
		return mostConns
	}
	// The runtime raises the soft limit to the hard one at the start.
	left := int64(min(r.Max, 1<<20)) - storeFiles - int64(devices)
	return int(min(max(left, 16), mostConns))
}

const (
	// pageTime bounds an answer to a browser that takes next to nothing. Live
	// streams set their own.
	pageTime = time.Minute
	// sendBuffer is what the kernel keeps for a browser that does not read; by
	// itself it would be megabytes.
	sendBuffer = 256 << 10
)

// inTime ends answers that nobody takes.
func inTime(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		_ = http.NewResponseController(w).SetWriteDeadline(time.Now().Add(pageTime)) // a connection of net/http can
		next.ServeHTTP(w, r)
	})
}
