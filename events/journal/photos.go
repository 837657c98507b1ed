package journal

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"witnessmark/events"
)

// MostPhoto is the greatest photo that is kept, in bytes.
const MostPhoto = 16 << 20

// Errors of photos.
var (
	// ErrPhotoMissing: no photo with this hash is in the store.
	ErrPhotoMissing = events.ErrFileMissing
	// ErrPhotoAltered: what is in the store under this hash has another one.
	ErrPhotoAltered = events.ErrFileAltered
)

// photoWait is how long reading one photo may take. JetStream skips a chunk
// that is damaged on disk without a word, so it never comes, and waiting for it
// must end.
const photoWait = 3 * time.Second

func (n naming) photos() string { return "wm-photos-" + n.shop }

// A certificate's file is kept as a photo is.
var photoHash = regexp.MustCompile(`^[0-9a-f]{64}$`)

// PutPhoto puts a photo into the object store beside the journal's stream,
// under its SHA-256, and returns that in hexadecimal. It returns nil only when
// the photo is on disk and was read back whole. Putting one again is harmless.
// ErrFull if there is too little room, ErrTooLarge above MostPhoto.
func (j *Journal) PutPhoto(ctx context.Context, data []byte) (hash string, err error) {
	return j.putPhoto(ctx, data, true)
}

// putPhoto looks first whether the photo is there, if it may be.
func (j *Journal) putPhoto(ctx context.Context, data []byte, may bool) (hash string, err error) {
	sum := sha256.Sum256(data)
	hash = hex.EncodeToString(sum[:])
	if len(data) == 0 || len(data) > MostPhoto {
		return hash, fmt.Errorf("keep photo of %d bytes: %w; want 1 to %d bytes", len(data), ErrTooLarge, MostPhoto)
	}
	if j.cfg.Dir != "" {
		if free, err := j.free(j.cfg.Dir); err == nil && free < j.cfg.MinFree+2*uint64(len(data)) {
			return hash, fmt.Errorf("keep photo: %w: %d MB are free; make room on the disk", ErrFull, free>>20)
		}
	}
	store, err := j.photoStore(ctx, true)
	if err != nil {
		return hash, fmt.Errorf("keep photo: %w", err)
	}
	if may {
		if _, err := readPhoto(ctx, store, hash); err == nil {
			return hash, nil // it is there, whole
		}
	}
	// Every chunk is acknowledged before this returns, and the server syncs
	// before it acknowledges.
	if _, err := store.PutBytes(ctx, hash, data); err != nil {
		return hash, fmt.Errorf("keep photo: %w", err)
	}
	if j.cfg.URL == "" {
		if err := syncDirs(j.cfg.Dir); err != nil {
			return hash, fmt.Errorf("keep photo: %w", err)
		}
	}
	if _, err := readPhoto(ctx, store, hash); err != nil {
		return hash, fmt.Errorf("read photo back: %w", err)
	}
	return hash, nil
}

// Photo returns the photo with a hash, whole and unaltered: its own SHA-256 is
// taken again. ErrPhotoMissing or ErrPhotoAltered if that cannot be.
func (j *Journal) Photo(ctx context.Context, hash string) ([]byte, error) {
	if !photoHash.MatchString(hash) {
		return nil, fmt.Errorf("read photo %q: %w", hash, ErrPhotoMissing)
	}
	store, err := j.photoStore(ctx, false)
	if err != nil {
		return nil, fmt.Errorf("read photo: %w", err)
	}
	data, err := readPhoto(ctx, store, hash)
	if err != nil {
		return nil, fmt.Errorf("read photo %.12s: %w", hash, err)
	}
	return data, nil
}

func readPhoto(ctx context.Context, store jetstream.ObjectStore, hash string) ([]byte, error) {
	within, cancel := context.WithTimeout(ctx, photoWait)
	defer cancel()
	data, err := store.GetBytes(within, hash)
	switch {
	case errors.Is(err, jetstream.ErrObjectNotFound), errors.Is(err, jetstream.ErrBadObjectMeta):
		return nil, ErrPhotoMissing
	case errors.Is(err, jetstream.ErrDigestMismatch):
		return nil, ErrPhotoAltered
	case err != nil && (isTransport(err) || errors.Is(err, os.ErrDeadlineExceeded)) && ctx.Err() == nil:
		// Either a chunk is damaged, or the server is away. If it answers, it is
		// not away.
		if _, e := store.GetInfo(ctx, hash); e == nil {
			return nil, ErrPhotoAltered
		}
		return nil, err
	case err != nil:
		return nil, err
	}
	if sum := sha256.Sum256(data); hex.EncodeToString(sum[:]) != hash {
		return nil, ErrPhotoAltered
	}
	return data, nil
}

// photoStore returns the shop's object store. It is made with the first photo,
// and never anew where one has been: what is missing must show.
func (j *Journal) photoStore(ctx context.Context, make bool) (jetstream.ObjectStore, error) {
	s, err := j.waitSession(ctx)
	if err != nil {
		return nil, err
	}
	store, err := s.js.ObjectStore(ctx, j.names.photos())
	switch {
	case err == nil:
		return store, nil
	case !errors.Is(err, jetstream.ErrBucketNotFound):
		return nil, fmt.Errorf("open object store %q: %w", j.names.photos(), err)
	case !make:
		return nil, ErrPhotoMissing
	case leftOvers(j.cfg, "OBJ_"+j.names.photos()) || j.hadPhotos():
		return nil, fmt.Errorf("%w: photos were kept in %q, but the server finds no object store (its meta file may be damaged); put back a copy of the directory",
			ErrMissing, j.cfg.place())
	}
	if j.cfg.URL == "" { // what a stop in the middle of making it has left
		if err := os.RemoveAll(filepath.Join(j.cfg.streamsDir(), "OBJ_"+j.names.photos())); err != nil {
			return nil, fmt.Errorf("make object store %q: %w", j.names.photos(), err)
		}
	}
	store, err = s.js.CreateObjectStore(ctx, jetstream.ObjectStoreConfig{
		Bucket: j.names.photos(), Description: "Witnessmark photos of shop " + j.cfg.Shop, Storage: jetstream.FileStorage, Replicas: 1, MaxBytes: -1,
	})
	if err != nil {
		return nil, fmt.Errorf("make object store %q: %w", j.names.photos(), err)
	}
	return store, j.notePhotos()
}

// photosFile marks a directory whose journal has kept photos.
const photosFile = "photos.kept"

func (j *Journal) hadPhotos() bool {
	if j.cfg.Dir == "" {
		return false
	}
	_, err := os.Stat(filepath.Join(j.cfg.Dir, photosFile))
	return err == nil
}

func (j *Journal) notePhotos() error {
	if j.cfg.Dir == "" {
		return nil
	}
	if err := os.WriteFile(filepath.Join(j.cfg.Dir, photosFile), []byte("photos of this journal are in its object store "+j.names.photos()+"\n"), 0o644); err != nil {
		return fmt.Errorf("note that photos are kept: %w", err)
	}
	return nil
}
