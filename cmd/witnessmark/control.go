package main

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"time"

	"witnessmark/events/journal"
)

// The service answers a command on the same machine at a socket in the data
// directory, which only the user who owns that can open. It serves copies of
// the streams, which nobody else could make while the service has them open.
const controlFile = "control.sock"

// byDir calls fn with a short name for the socket in dir: the name of a Unix
// socket holds about a hundred bytes, and a path may be longer.
func byDir(dir string, fn func(name string) error) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	defer d.Close()
	return fn(fmt.Sprintf("/proc/self/fd/%d/%s", d.Fd(), controlFile))
}

// serveControl answers until ctx ends.
func (s *stack) serveControl(ctx context.Context) error {
	var l net.Listener
	err := byDir(s.cfg.Data, func(name string) (err error) {
		if err := os.Remove(name); err != nil && !errors.Is(err, fs.ErrNotExist) { // of a run that was killed
			return err
		}
		if l, err = net.Listen("unix", name); err != nil {
			return err
		}
		l.(*net.UnixListener).SetUnlinkOnClose(false) // by another name then
		return os.Chmod(name, 0o600)
	})
	if err != nil {
		s.log.Warn("no backup can be made while the service runs", "err", err)
		if l != nil {
			_ = l.Close() // the first error counts
		}
		return nil
	}
	mux := http.NewServeMux()
	mux.HandleFunc("GET /copy/{what}", s.copyOut)
	srv := &http.Server{Handler: mux, ReadHeaderTimeout: 10 * time.Second, BaseContext: func(net.Listener) context.Context { return ctx }}
	defer context.AfterFunc(ctx, func() { _ = srv.Close() })()
	defer os.Remove(filepath.Join(s.cfg.Data, controlFile))
	if err := srv.Serve(l); !errors.Is(err, http.ErrServerClosed) {
		return fmt.Errorf("answer commands: %w", err)
	}
	return nil
}

// copyOut answers with a line of JSON that describes the copy, then the copy.
func (s *stack) copyOut(w http.ResponseWriter, r *http.Request) {
	begun := false
	err := s.journal.CopyOut(r.Context(), r.PathValue("what"), func(c journal.Copy) error {
		begun = true
		return json.NewEncoder(w).Encode(c)
	}, w)
	switch {
	case err == nil:
	case begun:
		s.log.Error("a backup broke off", "err", err)
		panic(http.ErrAbortHandler) // so that it is not taken for whole
	case errors.Is(err, journal.ErrPhotoMissing):
		http.Error(w, err.Error(), http.StatusNotFound)
	default:
		http.Error(w, err.Error(), http.StatusInternalServerError)
	}
}

// control is the running service, asked for copies.
type control struct{ dir string }

// CopyOut is as a journal has it.
func (c control) CopyOut(ctx context.Context, what string, begin func(journal.Copy) error, w io.Writer) error {
	client := http.Client{Transport: &http.Transport{DisableKeepAlives: true, DialContext: func(ctx context.Context, _, _ string) (conn net.Conn, err error) {
		err = byDir(c.dir, func(name string) error {
			conn, err = (&net.Dialer{}).DialContext(ctx, "unix", name)
			return err
		})
		return conn, err
	}}}
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, "http://service/copy/"+what, nil)
	if err != nil {
		return err
	}
	resp, err := client.Do(req)
	if err != nil {
		return fmt.Errorf("ask the running service: %w; run this as the user that runs the service", err)
	}
	defer resp.Body.Close()
	in := bufio.NewReader(resp.Body)
	if resp.StatusCode != http.StatusOK {
		text, _ := io.ReadAll(io.LimitReader(in, 4096))
		if resp.StatusCode == http.StatusNotFound {
			return journal.ErrPhotoMissing
		}
		return fmt.Errorf("the service answers: %s", strings.TrimSpace(string(text)))
	}
	line, err := in.ReadBytes('\n')
	if err != nil {
		return fmt.Errorf("read the service's answer: %w", err)
	}
	var head journal.Copy
	if err := json.Unmarshal(line, &head); err != nil {
		return fmt.Errorf("read the service's answer: %w", err)
	}
	if err := begin(head); err != nil {
		return err
	}
	if _, err := io.Copy(w, in); err != nil {
		return fmt.Errorf("the service broke off: %w; its log says why", err)
	}
	return nil
}
