// Package ledger is the query side of the journal: a SQLite file with
// readings, verdicts, jobs, alerts and the rest in tables that can be asked.
//
// It is a pure projection. Every row comes from the journal, and the journal
// position moves in the same transaction as the rows, so the ledger is never
// half a batch old; applying an entry twice equals applying it once; and the
// file can be deleted and rebuilt at any time and comes out the same, row for
// row. schema.sql describes the tables.
//
// Choices for SQLite: write-ahead log, so that readers never wait for the
// writer; synchronous FULL, although the ledger could be rebuilt, because its
// position then is a durable second witness of how far the journal went: a
// journal that comes back shorter, or with other events, is noticed (see Run).
// That costs one sync a batch, and under load batches are large. Foreign keys
// are off: the rules keep the order of things, and a projection must not
// refuse what the journal says.
package ledger

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net/url"
	"os"
	"sync"

	sqlite3 "github.com/mattn/go-sqlite3"

	"witnessmark/events"
)

// Errors of Open, Run and Rebuild.
var (
	// ErrSchema: the file was written in another form of the ledger, older or
	// newer. Rebuild makes a fresh one.
	ErrSchema = errors.New("ledger has another form than this version of witnessmark uses")
	// ErrNotLedger: the file is something else and is left alone.
	ErrNotLedger = errors.New("not a witnessmark ledger")
	// ErrBroken: SQLite finds the file damaged. Rebuild makes a fresh one.
	ErrBroken = errors.New("ledger is damaged")
	// ErrInUse: another process works with the file.
	ErrInUse = errors.New("ledger is in use")
	// ErrJournal: the journal is not the one that the ledger was made from, or
	// has lost its end.
	ErrJournal = errors.New("journal and ledger do not agree")
	// ErrReadOnly: the ledger was opened for reading.
	ErrReadOnly = errors.New("ledger is open for reading only")
	// ErrUnknown: there is no such job, procedure or shop in the ledger.
	ErrUnknown = errors.New("not in the ledger")
)

// Config says which file to open and how.
type Config struct {
	// Path of the SQLite file; beside it lie Path-wal and Path-shm while it is
	// open. Required.
	Path string
	// ReadOnly opens an existing file for queries alone; nothing is created,
	// and another process may be writing to it.
	ReadOnly bool
	// Log gets what heals itself and what a person must act on. nil: nothing
	// is logged.
	Log *slog.Logger
	// Readers is how many queries can run at the same time. 0: 4.
	Readers int
}

// Validate reports what is wrong with c.
func (c Config) Validate() error {
	if c.Path == "" {
		return errors.New("open ledger: no path; name a file")
	}
	if c.Readers < 0 {
		return fmt.Errorf("open ledger: %d readers; want 0 or more", c.Readers)
	}
	return nil
}

// Ledger is an open ledger. Its methods may be called from many goroutines;
// Apply and Run write, and do so one after the other.
type Ledger struct {
	Queries
	log  *slog.Logger
	read *sql.DB

	scrubs  sync.Mutex // held by Scrub
	writing sync.Mutex // held while a batch is applied
	write   *writer    // nil if read only

	mu      sync.Mutex
	at      mark
	moved   chan struct{} // closed and replaced when at moves
	wanted  chan struct{} // holds a token when somebody waits for what is not written yet
	trouble error
	damage  error // see Scrub
}

// mark is how far the journal is in the ledger, and which event that was.
type mark struct {
	seq    uint64
	source string
	number uint64
	time   events.Instant
}

// Open opens the ledger at cfg.Path, and makes an empty one if there is no
// file. See the Err values for what can be wrong with a file.
func Open(ctx context.Context, cfg Config) (*Ledger, error) {
	if err := cfg.Validate(); err != nil {
		return nil, err
	}
	l := &Ledger{Queries: Queries{path: cfg.Path}, log: cfg.Log, moved: make(chan struct{}), wanted: make(chan struct{}, 1)}
	if l.log == nil {
		l.log = slog.New(slog.DiscardHandler)
	}
	if err := l.open(ctx, cfg); err != nil {
		_ = l.Close() // the first error counts
		return nil, explain("open ledger", cfg.Path, err)
	}
	return l, nil
}

func (l *Ledger) open(ctx context.Context, cfg Config) (err error) {
	if err := checkHead(cfg.Path); err != nil && (cfg.ReadOnly || !errors.Is(err, os.ErrNotExist)) {
		return err
	}
	if !cfg.ReadOnly {
		if l.write, err = openWriter(cfg.Path, live); err != nil {
			return err
		}
	}
	readers := cfg.Readers
	if readers == 0 {
		readers = 4
	}
	if l.read, err = sql.Open("sqlite3", dsn(cfg.Path, "rw", "_query_only=1&_busy_timeout=5000&_cache_size=-8000")); err != nil {
		return err
	}
	l.db = l.read
	l.read.SetMaxOpenConns(readers)
	l.read.SetMaxIdleConns(readers)
	if err := checkForm(ctx, l.read); err != nil {
		return err
	}
	l.at, err = readMark(ctx, l.read)
	return err
}

// Close closes the file. Nothing else may be running on l.
func (l *Ledger) Close() error {
	l.writing.Lock()
	defer l.writing.Unlock()
	var errs []error
	if l.read != nil {
		errs = append(errs, l.read.Close())
		l.read = nil
	}
	if l.write != nil {
		errs = append(errs, l.write.close())
		l.write = nil
	}
	if err := errors.Join(errs...); err != nil {
		return explain("close ledger", l.path, err)
	}
	return nil
}

// Position returns the journal sequence up to which the journal is in the
// ledger; 0: nothing is. A ledger opened for reading tells what it was when it
// was opened; see ReadPosition.
func (l *Ledger) Position() uint64 {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.at.seq
}

// Trouble returns why the ledger can not be written at present, such as a full
// disk, in which case Run goes on trying; or what Scrub has found; or nil.
func (l *Ledger) Trouble() error {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.trouble != nil {
		return l.trouble
	}
	return l.damage
}

// PositionOf returns the position of the ledger at path, 0 if there is none.
func PositionOf(ctx context.Context, path string) (uint64, error) {
	if _, err := os.Stat(path); errors.Is(err, os.ErrNotExist) {
		return 0, nil
	}
	l, err := Open(ctx, Config{Path: path, ReadOnly: true})
	if err != nil {
		return 0, err
	}
	return l.Position(), l.Close()
}

func (l *Ledger) setTrouble(err error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.trouble = err
}

// WaitFor returns once everything up to and including seq is in the ledger, or
// with ctx's error.
func (l *Ledger) WaitFor(ctx context.Context, seq uint64) error {
	for {
		l.mu.Lock()
		at, moved := l.at.seq, l.moved
		l.mu.Unlock()
		if at >= seq {
			return nil
		}
		signal(l.wanted)
		select {
		case <-moved:
		case <-ctx.Done():
			return fmt.Errorf("wait for event %d in ledger, which is at %d: %w", seq, at, ctx.Err())
		}
	}
}

// moveTo makes m the position and wakes who waits.
func (l *Ledger) moveTo(m mark) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.at = m
	close(l.moved)
	l.moved = make(chan struct{})
}

// Healthy checks the whole file for damage, page by page and index by index.
// It reads everything, and takes seconds for a large ledger.
func (l *Ledger) Healthy(ctx context.Context) error {
	var says string
	if err := l.read.QueryRowContext(ctx, "PRAGMA integrity_check(1)").Scan(&says); err != nil {
		return explain("check ledger", l.path, err)
	}
	if says != "ok" {
		return explain("check ledger", l.path, fmt.Errorf("%w: %s", ErrBroken, says))
	}
	return nil
}

func readMark(ctx context.Context, db asker) (m mark, err error) {
	var seq, number, at int64
	err = db.QueryRowContext(ctx, "SELECT seq, source, number, event_at_us FROM position").Scan(&seq, &m.source, &number, &at)
	m.seq, m.number, m.time = uint64(seq), uint64(number), events.Instant(at)
	return m, err
}

// dsn names a file to the driver.
func dsn(path, mode, options string) string {
	return (&url.URL{Scheme: "file", Opaque: url.PathEscape(path)}).String() + "?mode=" + mode + "&" + options
}

// checkHead looks at the first bytes of the file: a ledger is empty or begins
// as SQLite files do.
func checkHead(path string) error {
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	defer f.Close()
	head := make([]byte, 16)
	n, err := io.ReadFull(f, head)
	switch {
	case err == io.EOF: // an empty file
		return nil
	case err != nil && !errors.Is(err, io.ErrUnexpectedEOF):
		return err
	case string(head[:n]) != "SQLite format 3\x00":
		return ErrNotLedger
	}
	return nil
}

// explain wraps an error with what was tried, and what to do if that is known.
func explain(what, path string, err error) error {
	if err == nil {
		return nil
	}
	var e sqlite3.Error
	if errors.As(err, &e) {
		err = named(e)
	}
	todo := ""
	switch {
	case errors.Is(err, ErrSchema):
		todo = "; run 'witnessmark rebuild' to make it anew from the journal"
	case errors.Is(err, ErrBroken):
		todo = "; run 'witnessmark rebuild' to make it anew from the journal, and check the disk"
	case errors.Is(err, ErrNotLedger):
		todo = "; move it away, or name another data directory"
	case errors.Is(err, ErrInUse):
		todo = "; stop the other process first"
	case errors.Is(err, errFull):
		todo = "; make room on the disk"
	case errors.Is(err, errDenied), errors.Is(err, os.ErrPermission):
		todo = "; give this user the right to write the file and its directory"
	case errors.Is(err, os.ErrNotExist):
		todo = "; make it from the journal with 'witnessmark rebuild', or name another data directory"
	}
	return fmt.Errorf("%s %q: %w%s", what, path, err, todo)
}

var (
	errFull   = errors.New("disk is full")
	errDenied = errors.New("no right to write")
)

// named turns what SQLite says into one of our errors where people can act on
// it.
func named(e sqlite3.Error) error {
	kind := map[sqlite3.ErrNo]error{
		sqlite3.ErrNotADB:   ErrNotLedger,
		sqlite3.ErrCorrupt:  ErrBroken,
		sqlite3.ErrFormat:   ErrBroken,
		sqlite3.ErrBusy:     ErrInUse,
		sqlite3.ErrLocked:   ErrInUse,
		sqlite3.ErrFull:     errFull,
		sqlite3.ErrReadonly: errDenied,
		sqlite3.ErrPerm:     errDenied,
	}[e.Code]
	if kind == nil {
		return e
	}
	return fmt.Errorf("%w (%v)", kind, e)
}
