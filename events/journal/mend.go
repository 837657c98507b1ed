package journal

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"hash/fnv"
	"io"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"time"

	"github.com/minio/highwayhash"

	"witnessmark/events"
)

// Proof is what the seals say of an entry.
type Proof int

// The proofs, worst first.
const (
	ProofAgainst Proof = iota // it is not what was sealed
	ProofNone                 // no seal covers it
	ProofLogged               // it is what the log of seals holds, but no signed seal covers it yet
	ProofSealed               // it is what a signed seal covers
)

// MendConfig says how to mend a journal.
type MendConfig struct {
	Shop string
	Dir  string // of the journal, as in Config
	// From are directories with copies of it, or of a data directory: read,
	// never changed. What was put aside in Dir is looked at in any case.
	From []string
	// Names are what people call those directories that are not what was named
	// by them; may be nil.
	Names map[string]string
	// Streams is the directory with the streams of a server by itself ('witnessmark
	// store'), whose data directory Dir is then; "": Dir is of an embedded server.
	Streams string
	// Beside is where the shop's service keeps what it knows of the stream, if
	// that is not Dir.
	Beside string
	// Known is how far the journal is known to have come, by whatever else
	// knows: seals, ledger. What is missing before is named.
	Known uint64
	// Prove holds an entry against the seals. nil: nothing is sealed.
	Prove func(*events.Written) Proof
	// DryRun changes nothing.
	DryRun bool
	Log    *slog.Logger // default: none
}

// Run is a run of sequences, both ends included.
type Run struct {
	From uint64 `json:"from"`
	To   uint64 `json:"to"`
}

// String is how people read it.
func (r Run) String() string {
	if r.From == r.To {
		return fmt.Sprintf("J%d", r.From)
	}
	return fmt.Sprintf("J%d to J%d", r.From, r.To)
}

// Mended is what Mend found and did. Runs are in journal order.
type Mended struct {
	Last     uint64 `json:"last"`     // last sequence, known or there
	Entries  uint64 `json:"entries"`  // there now
	Damaged  int    `json:"damaged"`  // places in the journal's own files that hold nothing readable
	Salvaged []Run  `json:"salvaged"` // were in files put aside, or behind damage where the server does not look
	Refilled []Run  `json:"refilled"` // from a copy
	Unproven []Run  `json:"unproven"` // of both of these, what no signed seal covers
	Missing  []Run  `json:"missing"`  // in no file at all
	Removed  uint64 `json:"removed"`  // by retention, as the journal tells: they are not missing
	Altered  []Run  `json:"altered"`  // there, but not what was sealed, and no copy has what was
	Differ   []Run  `json:"differ"`   // copies say something else, and no seal tells which is right; the journal's own was kept
	Changed  bool   `json:"changed"`  // the store was written anew
	KeptAs   string `json:"kept_as"`  // where the old store is now

	files map[string]events.KeptFile // that entries name, by hash
}

// candidate is the best entry known for a sequence.
type candidate struct {
	source int32 // index of the source, from 1; 0: there is none
	file   int32
	at     int32 // offset of its record
	size   int32
	proof  Proof
	differ bool
	sum    uint64
}

// mender is one run of Mend.
type mender struct {
	cfg   MendConfig
	own   Config
	names naming
	dirs  []string // of blocks; the first is the journal's own
	files []blockFile
	best  []candidate // by sequence; the first is not used
	res   Mended

	told    map[uint64]bool // entries that tell of removals
	removed events.Removals
	thin    bool         // what was removed is left out although it is there
	new     string       // where the new store is written, below cfg.Dir
	keepAs  string       // where the old store goes
	step    func(string) // called between the steps of putting a new store in place

	noIdentity bool   // the journal's own file of it is gone or damaged
	ownLast    uint64 // last sequence in the journal's own files, erased ones too
}

// damagedDir holds what was put aside, below Config.Dir.
const damagedDir = "damaged"

// Mend reads what is left of a stopped journal without the help of the server,
// fills in what is lost from copies, holds it against the seals, and writes the
// store anew if that makes it better. The old store is put aside. Sequences that are
// lost for good stay free: they are never given to other entries.
func Mend(ctx context.Context, cfg MendConfig) (*Mended, error) {
	if cfg.Log == nil {
		cfg.Log = slog.New(slog.DiscardHandler)
	}
	if cfg.Prove == nil {
		cfg.Prove = func(*events.Written) Proof { return ProofNone }
	}
	own, err := cfg.own()
	if err != nil {
		return nil, err
	}
	lock, err := lockDir(cfg.Dir)
	if err != nil {
		return nil, err
	}
	m := newMender(cfg, own)
	m.new, m.keepAs = "mend.new", filepath.Join(damagedDir, time.Now().UTC().Format("20060102T150405.000000"), m.names.stream())
	if err = own.finishThin(cfg.Log); err == nil {
		err = m.mend(ctx)
	}
	if err = errors.Join(err, lock.release()); err != nil {
		return nil, fmt.Errorf("mend journal %q: %w", cfg.Dir, err)
	}
	return &m.res, nil
}

// own is the journal that is to be mended.
func (cfg MendConfig) own() (Config, error) {
	c, err := Config{Shop: cfg.Shop, Dir: cfg.Dir, Log: cfg.Log}.withDefaults()
	c.streams = cfg.Streams
	return c, err
}

// beside is where the journal's identity is kept.
func (cfg MendConfig) beside() string {
	if cfg.Beside != "" {
		return cfg.Beside
	}
	return cfg.Dir
}

// name is what people call a directory.
func (cfg MendConfig) name(dir string) string {
	if n := cfg.Names[dir]; n != "" {
		return n
	}
	return dir
}

func newMender(cfg MendConfig, own Config) *mender {
	return &mender{cfg: cfg, own: own, names: naming{cfg.Shop}, best: make([]candidate, 1), told: map[uint64]bool{}, res: Mended{files: map[string]events.KeptFile{}}, step: func(string) {}}
}

func (m *mender) mend(ctx context.Context) error {
	id, err := m.identity()
	if err != nil {
		return err
	}
	if err := m.gather(ctx); err != nil {
		return err
	}
	m.res.Last = max(uint64(len(m.best)-1), m.cfg.Known, id.known())
	m.leaveOut()
	m.tell()
	if m.cfg.DryRun {
		return nil
	}
	if m.noIdentity {
		if err := id.save(m.cfg.beside(), m.res.Last, id.numbers()); err != nil {
			return err
		}
	}
	if !m.needed() {
		return nil
	}
	return m.rewrite(ctx, id)
}

// identity reads which stream this is: from its own file, or from a copy's.
func (m *mender) identity() (*identity, error) {
	var first error
	var found *identity
	beside := m.cfg.beside()
	for _, dir := range append([]string{beside}, m.cfg.From...) {
		for _, at := range []string{dir, filepath.Join(dir, "journal")} {
			id, err := loadIdentity(at)
			if id == nil {
				meta := Config{Shop: m.cfg.Shop, Dir: at}.streamDir()
				if dir == beside && at == dir {
					m.noIdentity = true
					meta = m.own.streamDir()
				}
				if other := identityFromMeta(meta, m.names); other != nil {
					id, err = other, nil
				}
			}
			switch {
			case err != nil && first == nil:
				first = err
			case err == nil && id != nil && id.Shop != m.cfg.Shop:
				return nil, fmt.Errorf("%w: %q holds the journal of shop %q, not of %q", ErrMissing, m.cfg.name(at), id.Shop, m.cfg.Shop)
			case err == nil && id != nil && found != nil && id.ID != found.ID:
				return nil, fmt.Errorf("%w: %q is a copy of another journal", ErrMissing, m.cfg.name(at))
			case err == nil && id != nil && found == nil:
				found = id
			}
		}
	}
	if found != nil {
		return found, nil
	}
	if first == nil {
		first = fmt.Errorf("%w: neither %q nor a copy tells which stream it has held; name a copy with --from", ErrMissing, m.cfg.Dir)
	}
	return nil, first
}

// identityFromMeta finds the identity in the server's own description of the
// stream, in its directory; nil if there is none.
func identityFromMeta(dir string, n naming) *identity {
	b, err := os.ReadFile(filepath.Join(dir, "meta.inf"))
	if err != nil {
		return nil
	}
	var meta struct {
		Metadata map[string]string `json:"metadata"`
	}
	if json.Unmarshal(b, &meta) != nil || meta.Metadata[metaID] == "" {
		return nil
	}
	id := newIdentity(meta.Metadata["shop"], n.stream())
	id.ID = meta.Metadata[metaID]
	return id
}

// gather scans all files for the best entry of each sequence.
func (m *mender) gather(ctx context.Context) error {
	m.dirs = []string{m.own.blocksDir()}
	for _, root := range append([]string{filepath.Join(m.cfg.Dir, damagedDir)}, m.cfg.From...) {
		found, err := findBlocks(root, m.names.stream())
		if errors.Is(err, fs.ErrNotExist) && root != "" && len(m.dirs) == 1 {
			continue // nothing was put aside yet
		}
		if err != nil {
			return fmt.Errorf("look for a copy: %w", err)
		}
		if len(found) == 0 && root != filepath.Join(m.cfg.Dir, damagedDir) {
			return fmt.Errorf("%q holds no journal of shop %q: want a data directory, a copy or backup of one, or the address of a NATS server", m.cfg.name(root), m.cfg.Shop)
		}
		m.dirs = append(m.dirs, found...)
	}
	for i, dir := range m.dirs {
		files, err := blockFiles(dir)
		if err != nil {
			return err
		}
		for _, f := range files {
			if err := ctx.Err(); err != nil {
				return err
			}
			if err := m.scan(i+1, f); err != nil {
				return err
			}
		}
	}
	return nil
}

// scan looks at one block file of a source.
func (m *mender) scan(source int, f blockFile) error {
	b, err := os.ReadFile(f.path)
	if err != nil {
		return err
	}
	m.files = append(m.files, f)
	file := len(m.files) - 1
	bad, err := scanBlock(m.names.stream(), f.index, b, func(x laid) error {
		if source == 1 {
			m.ownLast = max(m.ownLast, x.Seq)
			if x.repaired {
				m.res.Damaged++
			}
		}
		if x.erased {
			return nil
		}
		w, err := m.names.storedWritten(&x)
		if err != nil {
			return err
		}
		if err := m.tellsOfRemoval(&w); err != nil {
			return err
		}
		for _, f := range events.FilesOf(&w) {
			m.res.files[f.Hash] = f
		}
		c := candidate{source: int32(source), file: int32(file), at: int32(x.at), size: int32(x.size), proof: m.cfg.Prove(&w), sum: sumOf(&w)}
		for uint64(len(m.best)) <= x.Seq {
			m.best = append(m.best, candidate{})
		}
		was := &m.best[x.Seq]
		switch {
		case source > 1 && c.proof == ProofAgainst: // a wrong entry fills nothing
		case was.source == 0 || c.proof > was.proof:
			*was = c
		case c.proof == was.proof && c.sum != was.sum && c.proof == ProofNone:
			was.differ = true
		}
		return nil
	})
	if source == 1 {
		m.res.Damaged += len(bad)
	}
	if err != nil {
		return fmt.Errorf("read %q: %w", f.path, err)
	}
	return nil
}

// sumOf tells entries apart; it proves nothing.
func sumOf(w *events.Written) uint64 {
	h := fnv.New64a()
	fmt.Fprintf(h, "%q %q %q %q %q", w.Source, w.ID, w.Type, w.Time, w.Subject)
	io.WriteString(h, w.Data)
	return h.Sum64()
}

// tell fills in the result. What the server would read by itself is in the
// first source, in a place that the server reaches; behind damage it may not.
func (m *mender) tell() {
	add := func(list *[]Run, seq uint64) {
		if n := len(*list); n > 0 && (*list)[n-1].To == seq-1 {
			(*list)[n-1].To = seq
			return
		}
		*list = append(*list, Run{seq, seq})
	}
	aside := filepath.Join(m.cfg.Dir, damagedDir) + string(filepath.Separator)
	for seq := uint64(1); seq <= m.res.Last; seq++ {
		var c candidate
		if seq < uint64(len(m.best)) {
			c = m.best[seq]
		}
		if c.source == 0 {
			if m.removed.Has(seq) {
				m.res.Removed++
			} else {
				add(&m.res.Missing, seq)
			}
			continue
		}
		m.res.Entries++
		if c.source > 1 {
			if dir := m.dirs[c.source-1]; len(dir) > len(aside) && dir[:len(aside)] == aside {
				add(&m.res.Salvaged, seq)
			} else {
				add(&m.res.Refilled, seq)
			}
			if c.proof != ProofSealed {
				add(&m.res.Unproven, seq)
			}
		}
		if c.proof == ProofAgainst {
			add(&m.res.Altered, seq)
		}
		if c.differ {
			add(&m.res.Differ, seq)
		}
	}
}

// needed reports whether writing the store anew makes it better: it was
// damaged, or something can be filled in, or its own description is damaged.
func (m *mender) needed() bool {
	return m.res.Damaged > 0 || len(m.res.Salvaged) > 0 || len(m.res.Refilled) > 0 || m.ownLast < m.res.Last || !metaGood(m.own.streamDir(), m.names.stream())
}

// metaGood reports whether the server will believe its description of the
// stream: HighwayHash-64 of meta.inf in meta.sum, in hexadecimal, its key the
// SHA-256 of the stream's name.
func metaGood(dir, stream string) bool {
	b, err := os.ReadFile(filepath.Join(dir, "meta.inf"))
	if err != nil {
		return false
	}
	sum, err := os.ReadFile(filepath.Join(dir, "meta.sum"))
	if err != nil {
		return false
	}
	key := sha256.Sum256([]byte(stream))
	h, err := highwayhash.New64(key[:])
	if err != nil {
		return false
	}
	h.Write(b)
	return fmt.Sprintf("%x", h.Sum(nil)) == string(sum)
}

// rewrite makes a store of the best entries, has the server read it back, and
// swaps it in.
func (m *mender) rewrite(ctx context.Context, id *identity) error {
	next := m.own
	next.Dir, next.streams = filepath.Join(m.cfg.Dir, m.new), ""
	if most := m.limit(); most > 0 {
		next.MaxBytes = most
	}
	if err := os.RemoveAll(next.Dir); err != nil {
		return err
	}
	defer os.RemoveAll(next.Dir)
	if err := m.makeStream(ctx, next, id); err != nil {
		return err
	}
	if err := m.writeBlocks(next.blocksDir()); err != nil {
		return err
	}
	if err := m.readBack(ctx, next, id); err != nil {
		return fmt.Errorf("read back what was mended, the old store is as it was: %w", err)
	}
	if err := syncDirs(next.Dir); err != nil { // whole on disk before it is put in place
		return err
	}
	m.step("written")
	if err := os.Remove(m.own.keptIndex()); err != nil && !errors.Is(err, fs.ErrNotExist) { // it tells of the old blocks
		return err
	}
	m.res.KeptAs = filepath.Join(m.cfg.Dir, m.keepAs)
	if err := os.MkdirAll(filepath.Dir(m.res.KeptAs), 0o750); err != nil {
		return err
	}
	if err := os.Rename(m.own.streamDir(), m.res.KeptAs); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	if err := errors.Join(os.MkdirAll(m.own.streamsDir(), 0o750), syncDirs(m.cfg.Dir)); err != nil {
		return err
	}
	m.step("old one out of the way")
	if err := os.Rename(next.streamDir(), m.own.streamDir()); err != nil {
		return fmt.Errorf("%w; the old store is in %q", err, m.res.KeptAs)
	}
	m.step("new one in place")
	m.res.Changed = true
	return errors.Join(syncDirs(m.cfg.Dir), id.save(m.cfg.beside(), m.res.Last, id.numbers()))
}

// limit is the size that the stream may have: what is mended keeps the limit that
// it had. 0 if neither its own description tells, nor a copy's.
func (m *mender) limit() int64 {
	dirs := m.dirs
	if !metaGood(m.own.streamDir(), m.names.stream()) { // a copy's is better
		dirs = append(slices.Clone(dirs[1:]), dirs[0])
	}
	for _, dir := range dirs {
		var meta struct {
			MaxBytes int64 `json:"max_bytes"`
			Mirror   any   `json:"mirror"` // one has a limit of its own
		}
		if b, err := os.ReadFile(filepath.Join(filepath.Dir(dir), "meta.inf")); err == nil && json.Unmarshal(b, &meta) == nil && meta.MaxBytes > 0 && meta.Mirror == nil {
			return meta.MaxBytes
		}
	}
	return 0
}

// makeStream makes an empty stream of the same description.
func (m *mender) makeStream(ctx context.Context, next Config, id *identity) error {
	if err := os.MkdirAll(next.Dir, 0o750); err != nil {
		return err
	}
	j := &Journal{cfg: next, log: next.Log, names: m.names, free: freeDisk, most: uint64(next.MaxBytes), stop: make(chan struct{}), arrived: make(chan struct{})}
	s, err := j.connect(ctx)
	if err != nil {
		return err
	}
	_, err = s.js.CreateStream(ctx, j.streamConfig(id))
	s.close()
	if err != nil {
		return fmt.Errorf("make stream: %w", err)
	}
	list, err := os.ReadDir(next.blocksDir())
	for _, e := range list {
		err = errors.Join(err, os.Remove(filepath.Join(next.blocksDir(), e.Name())))
	}
	return err
}

// blockMost is how large a block may grow.
const blockMost = 4 << 20

// writeBlocks writes the best entries as blocks, each record as it was but for
// its hash, whose key is the block's own. What is missing at the end is marked
// as erased, so that its sequences are not given again.
func (m *mender) writeBlocks(dir string) error {
	w := blockWriter{dir: dir, stream: m.names.stream(), index: 1}
	var open *os.File
	at := int32(-1)
	defer func() { open.Close() }() // read only
	for seq := 1; seq < len(m.best); seq++ {
		c := m.best[seq]
		if c.source == 0 {
			continue
		}
		if c.file != at {
			open.Close()
			var err error
			if open, err = os.Open(m.files[c.file].path); err != nil {
				return err
			}
			at = c.file
		}
		rec := make([]byte, c.size)
		if _, err := open.ReadAt(rec, int64(c.at)); err != nil {
			return err
		}
		if err := w.add(rec); err != nil {
			return err
		}
	}
	if last := m.res.Last; last >= uint64(len(m.best)) {
		rec := make([]byte, recordHead+recordHash)
		binary.LittleEndian.PutUint32(rec, uint32(len(rec)))
		binary.LittleEndian.PutUint64(rec[4:], last|bitErased)
		binary.LittleEndian.PutUint64(rec[12:], uint64(time.Now().UnixNano()))
		if err := w.add(rec); err != nil {
			return err
		}
	}
	return errors.Join(w.flush(), syncDir(dir))
}

// blockWriter writes records as blocks of a stream.
type blockWriter struct {
	dir, stream string
	index       int // of the block that is being filled
	out         []byte
}

// add takes a record over, and makes its hash.
func (w *blockWriter) add(rec []byte) error {
	if len(w.out)+len(rec) > blockMost {
		if err := w.flush(); err != nil {
			return err
		}
	}
	repair(rec)
	rehash(rec, w.stream, w.index)
	w.out = append(w.out, rec...)
	return nil
}

func (w *blockWriter) flush() error {
	if len(w.out) == 0 {
		return nil
	}
	f, err := os.OpenFile(filepath.Join(w.dir, fmt.Sprintf("%d.blk", w.index)), os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o640)
	if err != nil {
		return err
	}
	_, err = f.Write(w.out)
	w.index, w.out = w.index+1, nil
	return errors.Join(err, f.Sync(), f.Close())
}

// repair puts the length of the headers right, which is outside the hash.
func repair(rec []byte) {
	if binary.LittleEndian.Uint32(rec)&bitHeaders == 0 {
		return
	}
	body := rec[recordHead+int(binary.LittleEndian.Uint16(rec[20:])) : len(rec)-recordHash]
	binary.LittleEndian.PutUint32(body, uint32(bytes.Index(body[4:], []byte("\r\n\r\n"))+4))
}

// rehash puts the hash into a record, for a block.
func rehash(rec []byte, stream string, index int) {
	key := sha256.Sum256(fmt.Appendf(nil, "%s-%d", stream, index))
	h, _ := highwayhash.New64(key[:]) // the key has the right length
	h.Write(rec[4:20])
	subject := int(binary.LittleEndian.Uint16(rec[20:]))
	h.Write(rec[recordHead : recordHead+subject])
	body := rec[recordHead+subject : len(rec)-recordHash]
	if binary.LittleEndian.Uint32(rec)&bitHeaders != 0 {
		body = body[4:]
	}
	h.Write(body)
	h.Sum(rec[:len(rec)-recordHash])
}

// readBack has the server read the new store, and compares.
func (m *mender) readBack(ctx context.Context, next Config, id *identity) error {
	if err := id.save(next.Dir, m.res.Last, id.numbers()); err != nil {
		return err
	}
	next.MinFree = 1
	j, err := Open(ctx, next)
	if err != nil {
		return err
	}
	n := uint64(0)
	err = j.ReadWritten(ctx, 1, 0, func(ws []events.Written) error {
		for i := range ws {
			if seq := ws[i].Seq; seq >= uint64(len(m.best)) || m.best[seq].source == 0 || m.best[seq].sum != sumOf(&ws[i]) {
				return fmt.Errorf("entry %d is not what was written", ws[i].Seq)
			}
			n++
		}
		return nil
	})
	if err == nil && (n != m.res.Entries || j.Last() != m.res.Last) {
		err = fmt.Errorf("%d entries up to %d, want %d up to %d", n, j.Last(), m.res.Entries, m.res.Last)
	}
	return errors.Join(err, j.Close())
}
