package backup

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	"witnessmark/events"
)

// MarkFile lies in a data directory that was restored until the first start has
// written into the journal where it comes from.
const MarkFile = "restored.json"

// mark leaves word of a restore for the first start.
func (r *Restoring) mark(stage string, m *Manifest) error {
	b, err := os.ReadFile(filepath.Join(r.Dir, manifestFile))
	if err != nil {
		return err
	}
	if r.Now.IsZero() {
		r.Now = time.Now()
	}
	sum := sha256.Sum256(b)
	b, err = json.MarshalIndent(events.ShopRestored{Backup: m.ID, Manifest: hex.EncodeToString(sum[:]), Last: m.Last, Sealed: m.Sealed, Moved: m.Moving,
		MadeUs: events.InstantOf(m.MadeAt), RestoredUs: events.InstantOf(r.Now), By: r.By}, "", "  ")
	if err != nil {
		return err
	}
	f, err := os.OpenFile(filepath.Join(stage, MarkFile), os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if err != nil {
		return err
	}
	_, err = f.Write(append(b, '\n'))
	return errors.Join(err, f.Sync(), f.Close())
}

// Marked returns what a restore left in a data directory; ok is false if there
// is nothing to be written into the journal.
func Marked(data string) (e events.ShopRestored, ok bool, err error) {
	name := filepath.Join(data, MarkFile)
	b, err := os.ReadFile(name)
	if errors.Is(err, fs.ErrNotExist) {
		return e, false, nil
	}
	if err != nil {
		return e, false, err
	}
	if err := json.Unmarshal(b, &e); err != nil || e.Backup == "" {
		return e, false, fmt.Errorf("%s does not say from which backup this shop was restored (%v): restore it again, or move the file away if the journal has it already", name, err)
	}
	return e, true, nil
}

// Unmark takes the mark away, once the journal has it.
func Unmark(data string) error {
	if err := os.Remove(filepath.Join(data, MarkFile)); err != nil {
		return err
	}
	return syncDir(data)
}
