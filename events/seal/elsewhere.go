package seal

import (
	"bytes"
	"context"
	"encoding/base64"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"golang.org/x/mod/sumdb/note"
	"golang.org/x/mod/sumdb/tlog"
)

// A checkpoint that is kept elsewhere, in a directory on another machine or by
// a witness, proves a history that somebody rewrote here, even with the key in
// his hands. What goes there is the request body "add-checkpoint" of the C2SP
// tlog-witness protocol: the size that is kept there already, the proof that
// the new checkpoint continues it, and the checkpoint:
//
//	old 1200
//	<hashes of the consistency proof, base64, a line each>
//	<empty line>
//	<signed checkpoint>
//
// Source: C2SP tlog-witness, section "add-checkpoint" (its text from memory).

// ErrForked means that a checkpoint kept elsewhere is of another history than
// this journal: it was rewritten, or the shop goes on at two places.
var ErrForked = errors.New("the history here is not the one whose checkpoint is kept elsewhere")

// Kept is a checkpoint that was kept elsewhere.
type Kept struct {
	Checkpoint
	Name  string // of the file
	Key   string // that signed it
	old   uint64
	proof tlog.TreeProof
}

// body writes a checkpoint's note with the proof that it continues old.
func body(old uint64, proof tlog.TreeProof, text string) []byte {
	var b bytes.Buffer
	fmt.Fprintf(&b, "old %d\n", old)
	for _, h := range proof {
		fmt.Fprintf(&b, "%s\n", base64.StdEncoding.EncodeToString(h[:]))
	}
	b.WriteString("\n" + text)
	return b.Bytes()
}

// parseKept reads what body wrote, or a bare signed checkpoint.
func parseKept(b []byte, keys []note.Verifier) (k Kept, err error) {
	text := string(b)
	if rest, ok := strings.CutPrefix(text, "old "); ok {
		head, after, found := strings.Cut(rest, "\n\n")
		if !found {
			return k, fmt.Errorf("%w: it ends before its checkpoint", ErrSeal)
		}
		lines := strings.Split(head, "\n")
		if k.old, err = strconv.ParseUint(lines[0], 10, 63); err != nil {
			return k, fmt.Errorf("%w: its old size %q is no number", ErrSeal, lines[0])
		}
		for _, l := range lines[1:] {
			h, err := base64.StdEncoding.DecodeString(l)
			if err != nil || len(h) != tlog.HashSize {
				return k, fmt.Errorf("%w: %q in its proof is no hash", ErrSeal, l)
			}
			k.proof = append(k.proof, tlog.Hash(h))
		}
		text = after
	}
	k.Checkpoint, k.Key, err = OpenNote(text, keys...)
	return k, err
}

const keptEnd = ".checkpoint"

// ReadKept reads the checkpoints that are kept in dir, smallest first. keys are
// verifier keys. Errors wrap ErrSeal where a file is no checkpoint, or not
// signed by one of the keys.
func ReadKept(dir string, keys []string) ([]Kept, error) {
	vs, err := Verifiers(keys)
	if err != nil {
		return nil, err
	}
	es, err := os.ReadDir(dir)
	if err != nil {
		return nil, fmt.Errorf("read kept checkpoints: %w", err)
	}
	var out []Kept
	for _, e := range es {
		if !strings.HasSuffix(e.Name(), keptEnd) {
			continue
		}
		b, err := os.ReadFile(filepath.Join(dir, e.Name()))
		if err != nil {
			return nil, fmt.Errorf("read kept checkpoints: %w", err)
		}
		k, err := parseKept(b, vs)
		if err != nil {
			return nil, fmt.Errorf("checkpoint %s: %w", filepath.Join(dir, e.Name()), err)
		}
		k.Name = e.Name()
		out = append(out, k)
	}
	slices.SortStableFunc(out, func(a, b Kept) int { return int(int64(a.Size) - int64(b.Size)) })
	return out, nil
}

// CheckKept holds kept checkpoints against each other, by their proofs and with
// nothing else: each must continue the one that it says it does.
func CheckKept(kept []Kept, shop string) *Result {
	r := &Result{Seals: len(kept)}
	by := map[uint64]*Kept{}
	for i := range kept {
		k := &kept[i]
		switch was := by[k.Size]; {
		case shop != "" && k.Origin != Origin(shop):
			r.find(k.Size, "%s is of %q, not of shop %q", k.Name, k.Origin, shop)
		case was != nil && was.Root != k.Root:
			r.find(k.Size, "%s and %s are both over J1 to J%d, and differ: the history was rewritten, or the shop goes on at two places", was.Name, k.Name, k.Size)
		case k.old == 0:
		case by[k.old] == nil:
			r.Notes = append(r.Notes, fmt.Sprintf("%s continues a checkpoint over J1 to J%d, which is not kept here.", k.Name, k.old))
		case tlog.CheckTree(k.proof, int64(k.Size), k.Root, int64(k.old), by[k.old].Root) != nil:
			r.find(k.Size, "%s does not continue %s: the history up to J%d was rewritten", k.Name, by[k.old].Name, k.old)
		}
		by[k.Size] = k
		r.Size, r.Key = max(r.Size, k.Size), k.Key
	}
	return r
}

// prove returns the proof that the tree of size continues that of old. It must
// not be called before the log is held.
func (s *Sealer) proveTree(old, size uint64) (tlog.TreeProof, error) {
	if old == 0 || old == size {
		return nil, nil
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	return tlog.ProveTree(int64(size), int64(old), s.log)
}

func (s *Sealer) rootAt(n uint64) (tlog.Hash, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.log.RootAt(n)
}

// place is where checkpoints are kept elsewhere.
type place interface {
	keep(ctx context.Context, s *Sealer, size uint64, text string) error
}

func placeOf(name string) place {
	if strings.HasPrefix(name, "http://") || strings.HasPrefix(name, "https://") {
		return &witness{url: strings.TrimRight(name, "/")}
	}
	return folder(name)
}

// folder keeps a file for each checkpoint, named after its size.
type folder string

func (f folder) keep(_ context.Context, s *Sealer, size uint64, text string) error {
	dir := string(f)
	if _, err := os.Stat(dir); err != nil {
		return fmt.Errorf("%w; is the other machine's disk there?", err) // it is not made: a mount may be missing
	}
	keys, err := Publics(s.cfg.Dir)
	if err != nil {
		return err
	}
	kept, err := ReadKept(dir, keys)
	if err != nil {
		return err
	}
	old := uint64(0)
	for _, k := range kept {
		if k.Size > size {
			return fmt.Errorf("%w: %s holds one over J1 to J%d, the newest here is over J1 to J%d", ErrForked, dir, k.Size, size)
		}
		root, err := s.rootAt(k.Size)
		if err != nil {
			return err
		}
		if root != k.Root {
			return fmt.Errorf("%w: %s over J1 to J%d has another root", ErrForked, filepath.Join(dir, k.Name), k.Size)
		}
		old = k.Size
	}
	if old == size {
		return nil // kept already
	}
	proof, err := s.proveTree(old, size)
	if err != nil {
		return err
	}
	name := filepath.Join(dir, fmt.Sprintf("%020d%s", size, keptEnd))
	if err := os.Remove(name + ".new"); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	if err := writeSynced(name+".new", body(old, proof, text), 0o644); err != nil {
		return err
	}
	return os.Rename(name+".new", name)
}

// witness sends checkpoints to a witness by HTTP.
type witness struct {
	url  string
	size uint64 // that it is known to have
}

func (w *witness) keep(ctx context.Context, s *Sealer, size uint64, text string) error {
	for range 2 {
		if w.size > size {
			return fmt.Errorf("%w: %s has one over J1 to J%d, the newest here is over J1 to J%d", ErrForked, w.url, w.size, size)
		}
		proof, err := s.proveTree(w.size, size)
		if err != nil {
			return err
		}
		status, answer, err := w.post(ctx, body(w.size, proof, text))
		switch {
		case err != nil:
			return err
		case status/100 == 2:
			w.size = size
			return nil
		case status == http.StatusConflict: // it tells what it has
			if w.size, err = strconv.ParseUint(strings.TrimSpace(answer), 10, 63); err != nil {
				return fmt.Errorf("%w: %s refuses the checkpoint over J1 to J%d: %.200s", ErrForked, w.url, size, answer)
			}
		case status == http.StatusUnprocessableEntity:
			return fmt.Errorf("%w: %s refuses the proof for J1 to J%d: %.200s", ErrForked, w.url, size, answer)
		default:
			return fmt.Errorf("%s answers %d: %.200s", w.url, status, answer)
		}
	}
	return fmt.Errorf("%w: %s says twice that it has another checkpoint", ErrForked, w.url)
}

func (w *witness) post(ctx context.Context, b []byte) (status int, answer string, err error) {
	ctx, cancel := context.WithTimeout(ctx, 10*time.Second)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, w.url+"/add-checkpoint", bytes.NewReader(b))
	if err != nil {
		return 0, "", err
	}
	req.Header.Set("Content-Type", "text/plain; charset=utf-8")
	client := http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	resp, err := client.Do(req)
	if err != nil {
		return 0, "", err
	}
	defer resp.Body.Close()
	text, err := io.ReadAll(io.LimitReader(resp.Body, 4096))
	return resp.StatusCode, string(text), err
}

// sendElsewhere sends each new checkpoint to every place, and tries again what
// fails, until ctx ends. A fork is not tried again: Trouble tells of it.
func (s *Sealer) sendElsewhere(ctx context.Context) {
	for _, name := range s.cfg.Elsewhere {
		p, sent, wait := placeOf(name), uint64(0), time.Duration(0)
		s.sending.Go(func() {
			for {
				made, changed := s.newest()
				retry := (<-chan time.Time)(nil)
				if made.Size > sent {
					err := p.keep(ctx, s, made.Size, made.Note)
					switch {
					case ctx.Err() != nil:
						return
					case err == nil:
						sent, wait = made.Size, 0
					case errors.Is(err, ErrForked):
						s.cfg.Log.Error("checkpoint not sent", "to", name, "err", err)
						s.fork(err)
						return
					default:
						wait = min(max(2*wait, time.Second), 10*time.Minute)
						s.cfg.Log.Warn("checkpoint not sent; trying again", "to", name, "err", err, "wait_s", wait.Seconds())
						retry = time.After(wait)
					}
				}
				select {
				case <-ctx.Done():
					s.lastSend(ctx, p, name, sent)
					return
				case <-changed:
				case <-retry:
				}
			}
		})
	}
}

// lastSend sends what was sealed last, at a stop; the next start sends it else.
func (s *Sealer) lastSend(ctx context.Context, p place, name string, sent uint64) {
	made, _ := s.newest()
	if made.Size <= sent {
		return
	}
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), 2*time.Second)
	defer cancel()
	if err := p.keep(ctx, s, made.Size, made.Note); err != nil {
		s.cfg.Log.Warn("checkpoint not sent; the next start tries again", "to", name, "err", err)
	}
}

func (s *Sealer) fork(err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.forked = fmt.Errorf("%w; stop one of the two, and hold both against the kept ones with 'witnessmark verify --checkpoints'", err)
}
