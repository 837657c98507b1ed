package journal

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"github.com/minio/highwayhash"
	"github.com/nats-io/nats.go"

	"witnessmark/events"
)

// The server keeps a stream's messages in block files, one record after
// another. It reads them forgivingly: at the first record that is damaged it
// passes over the message, or over the rest of the block, or cuts the rest off
// the file. So the files are also read here, without the server and changing
// nothing: what is damaged is found, and what lies behind it is not lost.
//
// A record, numbers little endian, as nats-server 2.15 writes it:
//
//	length   4  of the whole record; its top bit: there are headers
//	sequence 8  top bit: erased; next bit: a mark of a deletion
//	time     8  nanoseconds since 1970
//	subject  2  its length
//	subject, then with headers their length (4) and they themselves, the payload
//	hash     8  HighwayHash-64 over sequence, time, subject, headers, payload;
//	            key: SHA-256 of "stream-block"
const (
	recordHead = 22
	recordHash = 8
	recordMost = 4 << 20
	bitHeaders = 1 << 31
	bitErased  = 1 << 63
	bitMark    = 1 << 62
)

// laid is a message as it lies in a block.
type laid struct {
	Seq     uint64
	Subject string
	Header  []byte // "NATS/1.0…", nil without
	Data    []byte

	time     int64
	at, size int  // of its record in the block
	repaired bool // the length of the headers was wrong; it is outside the hash
	erased   bool // only the sequence is kept
}

// hash is that of its record.
func (m *laid) hash(block []byte) []byte { return block[m.at+m.size-recordHash : m.at+m.size] }

// span is a run of bytes of a file in which no record can be read.
type span struct{ From, To int }

// scanBlock gives the messages of block index of a stream to fn, whole ones
// only, and returns where there is anything else. Data is shared with b.
func scanBlock(stream string, index int, b []byte, fn func(laid) error) (bad []span, err error) {
	key := sha256.Sum256(fmt.Appendf(nil, "%s-%d", stream, index))
	for at := 0; at < len(b); {
		m, n, ok := record(key[:], b[at:])
		if !ok {
			from := at
			for at++; at < len(b); at++ {
				if m, n, ok = record(key[:], b[at:]); ok {
					break
				}
			}
			bad = append(bad, span{from, at})
			if !ok {
				break
			}
		}
		m.at, m.size = at, n
		at += n
		m.erased = m.Seq&bitErased != 0
		if m.Seq &^= bitErased; m.Seq == 0 || m.Seq&bitMark != 0 {
			continue
		}
		if err := fn(m); err != nil {
			return bad, err
		}
	}
	return bad, nil
}

// record reads the record that b begins with, and its length.
func record(key, b []byte) (m laid, n int, ok bool) {
	if len(b) < recordHead+recordHash {
		return m, 0, false
	}
	le := binary.LittleEndian
	length := le.Uint32(b)
	headers := length&bitHeaders != 0
	n = int(length &^ bitHeaders)
	subject := int(le.Uint16(b[20:]))
	rest := n - recordHead - recordHash - subject // headers with their length, payload
	if n > len(b) || n > recordMost || rest < 0 || headers && rest < 4 {
		return m, 0, false
	}
	body := b[recordHead+subject : n-recordHash]
	hashed := body
	if headers {
		hashed = body[4:]
	}
	h, err := highwayhash.New64(key)
	if err != nil {
		return m, 0, false
	}
	h.Write(b[4:20])
	h.Write(b[recordHead : recordHead+subject])
	h.Write(hashed)
	if !bytes.Equal(h.Sum(nil), b[n-recordHash:n]) {
		return m, 0, false
	}
	m = laid{Seq: le.Uint64(b[4:]), time: int64(le.Uint64(b[12:])), Subject: string(b[recordHead : recordHead+subject]), Data: hashed}
	if headers {
		// The length of the headers is outside the hash, as is that of the
		// record; so it is held against what it must give.
		k := int(le.Uint32(body))
		if k > len(hashed) || k < 4 || !bytes.HasSuffix(hashed[:k], []byte("\r\n\r\n")) || !bytes.HasPrefix(hashed, []byte("NATS/1.0")) {
			m.repaired = true
			if k = bytes.Index(hashed, []byte("\r\n\r\n")) + 4; k < 4 || !bytes.HasPrefix(hashed, []byte("NATS/1.0")) {
				return m, 0, false
			}
		}
		m.Header, m.Data = hashed[:k], hashed[k:]
	}
	return m, n, true
}

// storedWritten turns a stored message into what sealing sees.
func (n naming) storedWritten(m *laid) (events.Written, error) {
	h, err := nats.DecodeHeadersMsg(m.Header)
	if err != nil {
		return events.Written{}, fmt.Errorf("read headers of entry %d: %w", m.Seq, err)
	}
	return n.written(m.Seq, h, m.Data), nil
}

// blockFile is one block file of a stream.
type blockFile struct {
	path  string
	index int
	info  fs.FileInfo
}

// blockFiles lists the block files in a directory, by index.
func blockFiles(dir string) ([]blockFile, error) {
	list, err := os.ReadDir(dir)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	var all []blockFile
	for _, e := range list {
		name, ok := strings.CutSuffix(e.Name(), ".blk")
		index, err := strconv.Atoi(name)
		if !ok || err != nil {
			continue
		}
		info, err := e.Info()
		if errors.Is(err, fs.ErrNotExist) {
			continue
		}
		if err != nil {
			return nil, err
		}
		all = append(all, blockFile{filepath.Join(dir, e.Name()), index, info})
	}
	slices.SortFunc(all, func(a, b blockFile) int { return a.index - b.index })
	return all, nil
}

// findBlocks finds the directories below root that hold blocks of a stream.
func findBlocks(root, stream string) (dirs []string, err error) {
	err = filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if d.IsDir() && d.Name() == "msgs" && filepath.Base(filepath.Dir(path)) == stream {
			dirs = append(dirs, path)
			return fs.SkipDir
		}
		return nil
	})
	return dirs, err
}
