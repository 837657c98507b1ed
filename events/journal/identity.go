package journal

import (
	"crypto/rand"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"sync"
	"time"
)

const (
	identityFile  = "journal.json"
	identityEvery = 5 * time.Second
)

// identity is a small file beside the stream. It says which stream belongs
// here and how far it is known to have come, so that a stream that is gone,
// changed or cut is noticed: JetStream itself would begin a new one, or give
// old sequences to new messages.
type identity struct {
	mu sync.Mutex
	identityJSON
}

type identityJSON struct {
	Form    int               `json:"form"` // 1
	ID      string            `json:"id"`   // drawn once, also in the stream's metadata
	Shop    string            `json:"shop"`
	Stream  string            `json:"stream"`
	Last    uint64            `json:"last_seq"`      // known to have been on disk
	Numbers map[string]uint64 `json:"last_numbers"`  // the same, by source
	Sum     string            `json:"sum,omitempty"` // SHA-256 of the file with this left out; files before it came have none
}

// sum is what Sum must be.
func (id identityJSON) sum() string {
	id.Sum = ""
	b, _ := json.Marshal(id) // cannot fail: text and numbers
	h := sha256.Sum256(b)
	return hex.EncodeToString(h[:])
}

func newIdentity(shop, stream string) *identity {
	b := make([]byte, 16)
	rand.Read(b) // never fails
	return &identity{identityJSON: identityJSON{
		Form: 1, ID: hex.EncodeToString(b), Shop: shop, Stream: stream,
	}}
}

// loadIdentity returns nil if there is none.
func loadIdentity(dir string) (*identity, error) {
	if dir == "" {
		return nil, nil
	}
	path := filepath.Join(dir, identityFile)
	b, err := os.ReadFile(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	id := &identity{}
	if err := json.Unmarshal(b, &id.identityJSON); err != nil || id.Form != 1 || id.ID == "" || id.Sum != "" && id.Sum != id.sum() {
		return nil, fmt.Errorf("read %q: it is damaged or of a newer version (form %d); 'witnessmark mend' makes it anew from the rest", path, id.Form)
	}
	return id, nil
}

func identityPath(dir string) string { return filepath.Join(dir, identityFile) }

// known returns the greatest sequence known to have been on disk.
func (id *identity) known() uint64 {
	id.mu.Lock()
	defer id.mu.Unlock()
	return id.Last
}

// forget takes back what is known, after an accepted loss.
func (id *identity) forget(last uint64) {
	id.mu.Lock()
	defer id.mu.Unlock()
	id.Last = last
}

// number returns the greatest number known to have been on disk.
func (id *identity) numbers() map[string]uint64 {
	id.mu.Lock()
	defer id.mu.Unlock()
	return maps.Clone(id.Numbers)
}

// save writes the file whole and synced, or leaves the old one. An empty dir
// saves nothing.
func (id *identity) save(dir string, last uint64, numbers map[string]uint64) error {
	if dir == "" {
		return nil
	}
	id.mu.Lock()
	defer id.mu.Unlock()
	id.Last, id.Numbers = max(id.Last, last), numbers
	id.Sum = id.sum()
	b, err := json.MarshalIndent(id.identityJSON, "", "  ")
	if err != nil {
		return err
	}
	return writeFileSynced(filepath.Join(dir, identityFile), append(b, '\n'))
}

// writeFileSynced replaces path as a whole: it is there in its old or its new
// form, never in part, after a power cut too.
func writeFileSynced(path string, b []byte) error {
	f, err := os.OpenFile(path+".new", os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o640)
	if err != nil {
		return err
	}
	_, err = f.Write(b)
	err = errors.Join(err, f.Sync(), f.Close())
	if err != nil {
		return err
	}
	if err := os.Rename(path+".new", path); err != nil {
		return err
	}
	d, err := os.Open(filepath.Dir(path))
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}
