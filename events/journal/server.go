package journal

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"path/filepath"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
)

// storeDir is where the embedded server keeps its files, below Config.Dir.
const storeDir = "jetstream"

// startServer starts a NATS server in this process. It listens on no port for
// clients: only connections made inside the process reach it, with the options
// returned. Bench boxes come in by their own listener; see boxes.go.
func startServer(cfg Config) (*server.Server, []nats.Option, error) {
	opts := &server.Options{
		ServerName: "witnessmark-" + cfg.Shop,
		DontListen: true,
		NoSigs:     true,
		JetStream:  true,
		StoreDir:   filepath.Join(cfg.Dir, storeDir),
		// By default the server acknowledges first and syncs up to two
		// minutes later: a power cut then costs most of a young stream.
		SyncAlways:         true,
		JetStreamMaxMemory: 64 << 20,
		// The stream has its limit, the disk has MinFree: photos take no room of the
		// journal's.
		JetStreamMaxStore: 1 << 62,
	}
	var own []nats.Option
	switch {
	case cfg.Boxes != nil:
		key, err := cfg.Boxes.listenForBoxes(naming{cfg.Shop}, opts)
		if err != nil {
			return nil, nil, fmt.Errorf("let bench boxes connect: %w", err)
		}
		own = append(own, key)
	case cfg.Uplink != nil:
		cfg.Uplink.connectTo(opts)
	}
	srv, err := server.NewServer(opts)
	if err != nil {
		return nil, nil, fmt.Errorf("make embedded server: %w", err)
	}
	srv.SetLoggerV2(serverLog{cfg.Log}, false, false, false)
	srv.Start()
	if !comesUp(srv) {
		stopServer(srv)
		return nil, nil, fmt.Errorf("start embedded server on %q: it does not come up; the log says why%s", opts.StoreDir, diskSays(cfg.Dir))
	}
	if cfg.Boxes != nil { // with accounts named, the server gives none JetStream by itself
		if err := srv.GlobalAccount().EnableJetStream(nil, nil); err != nil {
			stopServer(srv)
			return nil, nil, fmt.Errorf("start embedded server on %q: %w", opts.StoreDir, err)
		}
	}
	if c := srv.JetStreamConfig(); c == nil || !c.SyncAlways {
		stopServer(srv)
		return nil, nil, fmt.Errorf("start embedded server: %w", ErrUnsafe)
	}
	return srv, own, nil
}

// comesUp waits for a server, but not for one that has given up.
func comesUp(srv *server.Server) bool {
	for end := time.Now().Add(30 * time.Second); time.Now().Before(end); {
		if srv.ReadyForConnections(100 * time.Millisecond) {
			return srv.JetStreamEnabled()
		}
		if !srv.Running() {
			return false
		}
	}
	return false
}

func stopServer(srv *server.Server) {
	srv.Shutdown()
	srv.WaitForShutdown()
}

// serverLog passes on what the embedded server says. Its notices are about
// clusters and ports that there are none of here, so they go to Debug.
type serverLog struct{ log *slog.Logger }

func (l serverLog) say(level slog.Level, format string, v []any) {
	if l.log.Enabled(context.Background(), level) {
		l.log.Log(context.Background(), level, "nats server", "says", fmt.Sprintf(format, v...))
	}
}
func (l serverLog) Noticef(f string, v ...any) { l.say(slog.LevelDebug, f, v) }
func (l serverLog) Warnf(f string, v ...any)   { l.say(slog.LevelWarn, f, v) }
func (l serverLog) Fatalf(f string, v ...any)  { l.say(slog.LevelError, f, v) }
func (l serverLog) Errorf(f string, v ...any)  { l.say(slog.LevelError, f, v) }
func (l serverLog) Debugf(string, ...any)      {}
func (l serverLog) Tracef(string, ...any)      {}

// connect brings up a session: server (if embedded), connection, JetStream.
func (j *Journal) connect(ctx context.Context) (*session, error) {
	s := &session{dead: make(chan struct{})}
	opts := []nats.Option{nats.Name("witnessmark journal"), nats.NoCallbacksAfterClientClose()}
	url := j.cfg.URL
	if url == "" {
		srv, own, err := startServer(j.cfg)
		if err != nil {
			return nil, err
		}
		s.srv = srv
		opts = append(opts, own...)
		// A new session is made after any fault, so this one never reconnects.
		opts = append(opts, nats.InProcessServer(srv), nats.NoReconnect())
	} else {
		opts = append(opts, nats.MaxReconnects(-1), nats.ReconnectWait(reconnectWait),
			nats.ReconnectBufSize(-1), nats.Timeout(j.cfg.AckTimeout))
	}
	for _, nc := range []**nats.Conn{&s.nc, &s.second} {
		var err error
		if url == "" {
			*nc, err = nats.Connect(url, opts...)
		} else {
			*nc, err = j.cfg.Link.Connect(url, opts...)
		}
		if err != nil {
			s.close()
			return nil, err
		}
	}
	if url != "" {
		j.cfg.Link.sayEnd(s.nc, j.log)
	}
	if err := s.jetStream(j.cfg); err != nil {
		s.close()
		return nil, err
	}
	if err := s.proveSync(ctx, url); err != nil {
		s.close()
		return nil, err
	}
	if j.cfg.Uplink != nil {
		if err := errors.Join(s.tellTime(j.cfg.Uplink.Box, j.cfg.Now), s.hearLamps(j.cfg.Uplink.Box, j.cfg.Lamps)); err != nil {
			s.close()
			return nil, err
		}
	}
	return s, nil
}

// setSession makes s the one in use and wakes those who wait for it.
func (j *Journal) setSession(s *session) {
	j.mu.Lock()
	defer j.mu.Unlock()
	j.session = s
	close(j.arrived)
}

// dropSession closes the session; readers wait for the next.
func (j *Journal) dropSession() {
	j.mu.Lock()
	s := j.session
	if s != nil {
		j.session = nil
		j.arrived = make(chan struct{})
	}
	j.mu.Unlock()
	if s != nil {
		s.close()
	}
}

// waitSession returns the session in use, once there is one.
func (j *Journal) waitSession(ctx context.Context) (*session, error) {
	for {
		j.mu.Lock()
		s, arrived := j.session, j.arrived
		j.mu.Unlock()
		switch {
		case j.closed.Load():
			return nil, ErrClosed
		case s != nil:
			return s, nil
		}
		select {
		case <-arrived:
		case <-j.stop:
			return nil, ErrClosed
		case <-ctx.Done():
			return nil, ctx.Err()
		}
	}
}

// isTransport reports whether err is about the connection or the waiting, so
// that the outcome is not known.
func isTransport(err error) bool {
	return errors.Is(err, nats.ErrTimeout) || errors.Is(err, nats.ErrConnectionClosed) ||
		errors.Is(err, nats.ErrNoResponders) || errors.Is(err, context.DeadlineExceeded) ||
		errors.Is(err, nats.ErrConnectionReconnecting) || errors.Is(err, nats.ErrDisconnected)
}
