package journal

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	"github.com/minio/highwayhash"
	"github.com/nats-io/nats-server/v2/server/avl"
)

// The server keeps an index of a stream: what is in which block, how many
// messages each subject has. It writes it every two minutes and at a stop in
// order, and believes it only if no message was stored since. So after a kill
// it reads every block again, which for five million events is nearly all of
// the time until the first reading is taken. Therefore the index is brought up
// to date here before the server starts, from the few blocks that were written
// since, and only if all in them is plain: whole messages, one sequence after
// another. Anything else is left to the server.
//
// The server does not sync its index, so a copy is kept beside the journal's
// identity, synced.
//
// The index, as nats-server 2.15 writes it; u is an unsigned varint, i a signed
// one, times are nanoseconds since 1970, those of blocks since the first
// message's:
//
//	magic 11, version 4
//	u messages, u bytes, u first sequence, i its time, u last sequence, i its time
//	u subjects; each: u length, text, u messages, u first block, u last block
//	u blocks; each: u number, u bytes, u first sequence, i its time, u last
//	    sequence, i its time, u deleted, u with TTL, u scheduled, if deleted: which
//	u number of the last block, 8 bytes: the hash of its last record
//	HighwayHash-64 over all of it; key: SHA-256 of the stream's name
const (
	indexFile    = "index.db"
	indexMagic   = 11
	indexVersion = 4
)

type storeIndex struct {
	span     blockSpan // of the whole stream; its number and deleted are not used
	subjects map[string]subjectIndex
	blocks   []blockSpan
	lastHash [recordHash]byte

	written time.Time // when
	behind  bool      // the server's own is not like it
}

// blockSpan is what an index says of a block.
type blockSpan struct {
	number, bytes       uint64
	first, last         uint64 // sequences; first is last+1 if it is empty
	firstTime, lastTime int64
	messages            uint64
	deleted             []byte // which in between are not there, as the server writes it
	numDeleted          uint64
}

type subjectIndex struct{ messages, firstBlock, lastBlock uint64 }

// indexHash is the hash that an index must end with.
func indexHash(stream string, b []byte) []byte {
	key := sha256.Sum256([]byte(stream))
	h, _ := highwayhash.New64(key[:]) // the key has the right length
	h.Write(b)
	return h.Sum(nil)
}

// indexBody returns an index without its hash; ok is false if that is wrong.
func indexBody(stream string, b []byte) (body []byte, ok bool) {
	cut := len(b) - recordHash
	if cut < 32-recordHash || !bytes.Equal(indexHash(stream, b[:cut]), b[cut:]) {
		return nil, false
	}
	return b[:cut], true
}

var errIndex = errors.New("this is no index that can be brought up to date")

// readIndex reads what the server or encode wrote.
func readIndex(stream string, b []byte) (*storeIndex, error) {
	b, ok := indexBody(stream, b)
	if !ok || b[0] != indexMagic || b[1] != indexVersion {
		return nil, errIndex
	}
	b = b[2:]
	good := true
	u := func() uint64 {
		v, n := binary.Uvarint(b)
		if n <= 0 {
			good = false
			return 0
		}
		b = b[n:]
		return v
	}
	i := func() int64 {
		v, n := binary.Varint(b)
		if n <= 0 {
			good = false
			return 0
		}
		b = b[n:]
		return v
	}
	x := &storeIndex{subjects: map[string]subjectIndex{}}
	x.span = blockSpan{messages: u(), bytes: u(), first: u(), firstTime: i(), last: u(), lastTime: i()}
	for range u() {
		n := u()
		if !good || n > uint64(len(b)) {
			return nil, errIndex
		}
		subject := string(b[:n])
		b = b[n:]
		x.subjects[subject] = subjectIndex{u(), u(), u()}
	}
	for range u() {
		s := blockSpan{number: u(), bytes: u(), first: u(), firstTime: i() + x.span.firstTime, last: u(), lastTime: i() + x.span.firstTime, numDeleted: u()}
		special := u() + u()
		if !good || special != 0 || s.last+1 < s.first || s.last+1-s.first < s.numDeleted {
			return nil, errIndex
		}
		s.messages = s.last + 1 - s.first - s.numDeleted
		if s.numDeleted > 0 {
			_, n, err := avl.Decode(b)
			if err != nil {
				return nil, errIndex
			}
			s.deleted, b = b[:n], b[n:]
		}
		x.blocks = append(x.blocks, s)
	}
	if last := u(); !good || len(b) != recordHash || len(x.blocks) == 0 || x.lastBlock() != last {
		return nil, errIndex
	}
	copy(x.lastHash[:], b)
	return x, nil
}

// encode writes the index as the server does.
func (x *storeIndex) encode(stream string) []byte {
	b := []byte{indexMagic, indexVersion}
	u := func(vs ...uint64) {
		for _, v := range vs {
			b = binary.AppendUvarint(b, v)
		}
	}
	i := func(v int64) { b = binary.AppendVarint(b, v) }
	u(x.span.messages, x.span.bytes, x.span.first)
	i(x.span.firstTime)
	u(x.span.last)
	i(x.span.lastTime)
	u(uint64(len(x.subjects)))
	for name, s := range x.subjects {
		u(uint64(len(name)))
		b = append(b, name...)
		u(s.messages, s.firstBlock, s.lastBlock)
	}
	u(uint64(len(x.blocks)))
	for _, s := range x.blocks {
		u(s.number, s.bytes, s.first)
		i(s.firstTime - x.span.firstTime)
		u(s.last)
		i(s.lastTime - x.span.firstTime)
		u(s.numDeleted, 0, 0)
		b = append(b, s.deleted...)
	}
	u(x.lastBlock())
	b = append(b, x.lastHash[:]...)
	return append(b, indexHash(stream, b)...)
}

// lastBlock is the number of the last block, 0 if there is none.
func (x *storeIndex) lastBlock() uint64 {
	if len(x.blocks) == 0 {
		return 0
	}
	return x.blocks[len(x.blocks)-1].number
}

// bears reports whether the blocks before the last are on disk as long as the
// index says, and no others.
func (x *storeIndex) bears(files []blockFile) bool {
	size := map[uint64]int64{}
	for _, f := range files {
		if uint64(f.index) <= x.lastBlock() {
			size[uint64(f.index)] = f.info.Size()
		}
	}
	for _, s := range x.blocks {
		if got, ok := size[s.number]; !ok || uint64(got) < s.bytes {
			return false
		}
	}
	return len(size) == len(x.blocks)
}

// add takes up what is in a block, its last one or a later one. It reports
// false if that is not plain. A cut at the end of the last block is passed over.
func (x *storeIndex) add(s *blockScan) bool {
	if x.lastBlock() != uint64(s.file.index) {
		x.blocks = append(x.blocks, blockSpan{number: uint64(s.file.index), first: x.span.last + 1, last: x.span.last})
		x.lastHash, x.behind = [recordHash]byte{}, true
	}
	at := &x.blocks[len(x.blocks)-1]
	// The messages that the index knows must be what the block begins with.
	met := at.messages == 0 && at.numDeleted == 0
	size := 0
	for _, m := range s.messages {
		size += m.size
		if m.erased || m.repaired {
			return false
		}
		if !met {
			if m.Seq > at.last {
				return false
			}
			met = m.Seq == at.last && bytes.Equal(m.hash(s.bytes), x.lastHash[:])
			continue
		}
		if m.Seq != x.span.last+1 {
			return false
		}
		if x.span.messages == 0 {
			x.span.first, x.span.firstTime = m.Seq, m.time
		}
		if at.messages == 0 {
			at.first, at.firstTime = m.Seq, m.time
		}
		for _, t := range []*blockSpan{&x.span, at} {
			t.last, t.lastTime = m.Seq, m.time
			t.messages++
			t.bytes += uint64(m.size)
		}
		subject, ok := x.subjects[m.Subject]
		if !ok {
			subject.firstBlock = at.number
		}
		subject.messages++
		subject.lastBlock = at.number
		x.subjects[m.Subject] = subject
		copy(x.lastHash[:], m.hash(s.bytes))
		x.behind = true
	}
	return met && size == s.end // else there are marks of deletions, or damage
}

// indexed is a stream of the server's whose index is kept up to date.
type indexed struct {
	stream, dir string // its name; where its blocks are
	kept        string // path of the copy of its index
	at          time.Time
}

// indexed returns the journal's own stream and that of the photos.
func (j *Journal) indexed() (own, photos *indexed) {
	name := "OBJ_" + j.names.photos()
	return &indexed{stream: j.cfg.stream(), dir: j.cfg.blocksDir(), kept: j.cfg.keptIndex()},
		&indexed{stream: name, dir: filepath.Join(j.cfg.streamsDir(), name, "msgs"), kept: filepath.Join(j.cfg.Dir, photosIndex)}
}

// photosIndex is the copy of the photos' index, below Config.Dir.
const photosIndex = "photos.index.kept"

// keptIndex is where the copy of the index of the journal's own stream lies.
func (c Config) keptIndex() string { return filepath.Join(c.Dir, "index.kept") }

// newest is the server's index, or the kept one if that is not good, or an
// empty one.
func (in *indexed) newest() (*storeIndex, error) {
	for i, path := range []string{filepath.Join(in.dir, indexFile), in.kept} {
		b, at, err := readDated(path)
		switch x, bad := readIndex(in.stream, b); {
		case errors.Is(err, fs.ErrNotExist):
		case err != nil:
			return nil, err
		case bad == nil:
			x.written, x.behind = at, i > 0
			return x, nil
		}
	}
	return &storeIndex{subjects: map[string]subjectIndex{}}, nil
}

func readDated(path string) (b []byte, at time.Time, err error) {
	info, err := os.Stat(path)
	if err == nil {
		b, err = os.ReadFile(path)
	}
	if err != nil {
		return nil, at, err
	}
	return b, info.ModTime(), nil
}

// catchUp writes an index that has taken up all blocks, unless the server's is
// like it. What a stop has cut at the end of the last is cut off, as the server
// would. It can fail on a full disk; then the server does it all its way.
func (in *indexed) catchUp(x *storeIndex, last *blockScan) error {
	if last.end < len(last.bytes) {
		f, err := os.OpenFile(last.file.path, os.O_RDWR, 0)
		if err != nil {
			return err
		}
		if err := errors.Join(f.Truncate(int64(last.end)), f.Sync(), f.Close()); err != nil {
			return err
		}
	}
	if !x.behind {
		return nil
	}
	return writeFileSynced(filepath.Join(in.dir, indexFile), x.encode(in.stream))
}

// catchUpAll does all that for a stream whose damage shows when what is in it is
// read. What is damaged is given to aside first: the server may cut it off.
func (in *indexed) catchUpAll(aside func(s *blockScan, last bool) error) error {
	files, err := blockFiles(in.dir)
	if err != nil || len(files) == 0 {
		return err
	}
	x, err := in.newest()
	if err != nil {
		return err
	}
	var s *blockScan
	if !x.bears(files) {
		return nil
	}
	plain := true
	for i, f := range files {
		if uint64(f.index) < x.lastBlock() {
			continue
		}
		if s, err = scanFile(in.stream, f); err != nil {
			return err
		}
		if s.damaged() {
			plain = false
			if err := aside(s, i == len(files)-1); err != nil {
				return err
			}
		}
		plain = plain && x.add(s)
	}
	if s == nil || !plain || x.span.last == 0 {
		return nil
	}
	return in.catchUp(x, s)
}

// keepIndexes keeps copies of what the server does not sync.
func (j *Journal) keepIndexes(ins ...*indexed) {
	if j.cfg.URL != "" {
		return
	}
	for _, in := range ins {
		if err := in.keep(); err != nil {
			j.log.Warn("cannot keep a copy of the server's index: after a power cut the next start may take long", "err", err)
		}
	}
}

// keep copies the server's index, if it has been written since.
func (in *indexed) keep() error {
	b, at, err := readDated(filepath.Join(in.dir, indexFile))
	if errors.Is(err, fs.ErrNotExist) || err == nil && at.Equal(in.at) {
		return nil
	}
	if err != nil {
		return err
	}
	if _, ok := indexBody(in.stream, b); !ok {
		return nil // being written
	}
	if err := writeFileSynced(in.kept, b); err != nil {
		return err
	}
	in.at = at
	return os.Chtimes(in.kept, at, at)
}
