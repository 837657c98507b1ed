package main

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/synadia-io/orbit.go/jetstreamext"
)

// floor is a bare embedded JetStream that syncs before it acknowledges: the
// least that a durable store of this kind can cost.
type floor struct {
	server *server.Server
	conn   *nats.Conn
	js     jetstream.JetStream
}

const floorSubject = "floor.x"

func (b *bencher) openFloor(ctx context.Context, name string) (*floor, error) {
	dir := filepath.Join(b.dir, name)
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return nil, err
	}
	srv, err := server.NewServer(&server.Options{DontListen: true, JetStream: true, StoreDir: dir, SyncAlways: true, NoLog: true, NoSigs: true})
	if err != nil {
		return nil, fmt.Errorf("start bare server: %w", err)
	}
	f := &floor{server: srv}
	srv.Start()
	if !srv.ReadyForConnections(10 * time.Second) {
		f.close()
		return nil, fmt.Errorf("start bare server: not ready")
	}
	if f.conn, err = nats.Connect("", nats.InProcessServer(srv)); err == nil {
		f.js, err = jetstream.New(f.conn)
	}
	if err == nil {
		_, err = f.js.CreateStream(ctx, jetstream.StreamConfig{Name: "FLOOR", Subjects: []string{"floor.>"},
			Storage: jetstream.FileStorage, AllowAtomicPublish: true, AllowDirect: true})
	}
	if err != nil {
		f.close()
		return nil, fmt.Errorf("open bare stream: %w", err)
	}
	return f, nil
}

// batch publishes payloads in atomic batches of 1,000.
func (f *floor) batch(ctx context.Context, payloads [][]byte) error {
	for len(payloads) > 0 {
		n := min(1000, len(payloads))
		batch, err := jetstreamext.NewBatchPublisher(f.js)
		if err != nil {
			return err
		}
		for _, p := range payloads[:n-1] {
			if err := batch.Add(floorSubject, p); err != nil {
				return fmt.Errorf("publish bare batch: %w", err)
			}
		}
		if _, err := batch.Commit(ctx, floorSubject, payloads[n-1]); err != nil {
			return fmt.Errorf("publish bare batch: %w", err)
		}
		payloads = payloads[n:]
	}
	return nil
}

// read reads n messages with an ordered consumer and returns their size.
func (f *floor) read(ctx context.Context, n int) (size int, err error) {
	c, err := f.js.OrderedConsumer(ctx, "FLOOR", jetstream.OrderedConsumerConfig{DeliverPolicy: jetstream.DeliverAllPolicy})
	if err != nil {
		return 0, fmt.Errorf("read bare stream: %w", err)
	}
	it, err := c.Messages(jetstream.PullMaxMessages(5000))
	if err != nil {
		return 0, fmt.Errorf("read bare stream: %w", err)
	}
	defer it.Stop()
	for range n {
		m, err := it.Next()
		if err != nil {
			return 0, fmt.Errorf("read bare stream: %w", err)
		}
		size += len(m.Data())
	}
	return size, nil
}

func (f *floor) close() {
	if f.conn != nil {
		f.conn.Close()
	}
	f.server.Shutdown()
	f.server.WaitForShutdown()
}
