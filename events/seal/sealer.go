package seal

import (
	"bytes"
	"cmp"
	"context"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"sync"
	"time"

	"witnessmark/events"
)

// Journal is what sealing needs of a journal.
type Journal interface {
	ReadWritten(ctx context.Context, from, to uint64, fn func([]events.Written) error) error
	Follow(ctx context.Context, from uint64, fn func([]events.Entry) error) error
	Append(ctx context.Context, evs ...events.Event) ([]uint64, error)
	Last() uint64
	LastNumber(source string) uint64
}

// Source is the source of the events that seals are.
const Source = "seal"

// Why a seal was made.
const (
	WhyTime    = "time"
	WhyRelease = "release"
	WhyAsked   = "asked"
)

// Config says what a Sealer seals.
type Config struct {
	Journal Journal
	Dir     string // of key, log and checkpoints
	Shop    string
	Every   time.Duration // between seals while there is anything new; default an hour
	// AcceptLoss goes on although the journal ends before a seal says it did:
	// the seals of what is lost are put aside, and stay as proof of the loss.
	AcceptLoss bool
	// Elsewhere are the places to which each checkpoint is sent: directories,
	// or addresses (http, https) of witnesses.
	Elsewhere []string
	Log       *slog.Logger // default: none
	Now       func() time.Time
}

// Sealer seals a journal. Use New, then Run.
type Sealer struct {
	cfg  Config
	key  Key
	from uint64 // entries up to here were there at New

	holding sync.Mutex // guards held
	held    bool       // the log is brought up to the journal and held against the newest seal

	mu   sync.Mutex // guards what follows
	log  *Log
	last events.SealMade // the newest; Size 0: none
	bad  error           // why nothing can be sealed, see Trouble

	scrubbed Scrubbed
	made     chan struct{} // closed and replaced with each seal

	forked  error // see ErrForked
	sending sync.WaitGroup
}

// checkpointsFile holds every seal, a line of JSON each.
const (
	checkpointsFile = "checkpoints"
	lostFile        = "checkpoints.lost" // of a lost end that somebody accepted
)

// ErrTail means that the journal ends before a seal says it did: its end is
// lost, and writing on would give the lost sequences to other events.
var ErrTail = errors.New("the journal has lost its end")

// ErrAltered means that the journal does not hold what was sealed.
var ErrAltered = errors.New("the journal is not what was sealed")

// New opens key and log. An error that wraps ErrTail says that the journal
// ends before a seal says it did, and must not be written to before somebody
// has looked. It reads none of the journal, so that a start need not wait for
// that; Hold does.
func New(_ context.Context, cfg Config) (*Sealer, error) {
	if cfg.Every <= 0 {
		cfg.Every = time.Hour
	}
	if cfg.Log == nil {
		cfg.Log = slog.New(slog.DiscardHandler)
	}
	if cfg.Now == nil {
		cfg.Now = time.Now
	}
	s := &Sealer{cfg: cfg, made: make(chan struct{})}
	var err error
	if s.key, err = OpenKey(cfg.Dir, cfg.Shop); err != nil {
		return nil, err
	}
	seals, torn, err := readCheckpoints(cfg.Dir, checkpointsFile)
	if err != nil {
		return nil, err
	}
	if torn { // or the next seal would be written behind what is half a line
		if err := replace(cfg.Dir, seals); err != nil {
			return nil, err
		}
	}
	if seals, err = s.beyond(seals); err != nil {
		return nil, err
	}
	if len(seals) > 0 {
		s.last = seals[len(seals)-1]
	}
	if s.log, err = OpenLog(cfg.Dir); err != nil {
		return nil, err
	}
	s.from = cfg.Journal.Last()
	return s, nil
}

// Hold brings the log up to the journal and holds the journal against the
// newest seal, once; Run, Seal and Record do so first. A journal that was
// altered can be written to, but is not sealed any more, see Trouble.
func (s *Sealer) Hold(ctx context.Context) error {
	s.holding.Lock()
	defer s.holding.Unlock()
	if s.held {
		return nil
	}
	if err := s.hold(ctx); err != nil {
		return err
	}
	s.held = true
	return nil
}

// beyond refuses seals that cover more than the journal holds, or puts them
// aside if the loss is accepted, and returns the others.
func (s *Sealer) beyond(seals []events.SealMade) ([]events.SealMade, error) {
	last := s.cfg.Journal.Last()
	n := len(seals)
	for n > 0 && seals[n-1].Size > last {
		n--
	}
	if n == len(seals) {
		return seals, nil
	}
	lost := seals[len(seals)-1]
	if !s.cfg.AcceptLoss {
		return nil, fmt.Errorf("%w: a seal of %s covers entries up to J%d, the journal ends at J%d; stop, keep the data directory as it is, and put back a copy that is whole",
			ErrTail, lost.AtUs.Time().Format(time.RFC3339), lost.Size, last)
	}
	for _, m := range seals[n:] {
		if err := keep(s.cfg.Dir, lostFile, m); err != nil {
			return nil, err
		}
	}
	if err := replace(s.cfg.Dir, seals[:n]); err != nil {
		return nil, err
	}
	s.cfg.Log.Warn("the journal has lost its end; the seals over it are put aside", "file", lostFile, "sealed_to", lost.Size, "journal", last)
	return seals[:n], nil
}

// Trouble tells why nothing can be sealed, or that a checkpoint kept elsewhere
// is of another history, "" if nothing stands in the way.
func (s *Sealer) Trouble() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	if err := cmp.Or(s.bad, s.forked); err != nil {
		return err.Error()
	}
	return ""
}

// hold compares the journal with the newest seal. Nobody else uses the log
// before it has ended.
func (s *Sealer) hold(ctx context.Context) error {
	last := s.cfg.Journal.Last()
	if s.log.Size() > last {
		s.cfg.Log.Warn("log of seals goes further than the journal; its end is made again", "log", s.log.Size(), "journal", last)
		if err := s.log.cut(s.last.Size); err != nil {
			return fmt.Errorf("cut log of seals: %w", err)
		}
	}
	if err := s.extend(ctx, last); err != nil {
		return err
	}
	if s.last.Size == 0 {
		return nil
	}
	root, err := s.log.RootAt(s.last.Size)
	if err != nil {
		return fmt.Errorf("read log of seals: %w", err)
	}
	if base64.StdEncoding.EncodeToString(root[:]) != s.last.Root {
		s.mu.Lock()
		defer s.mu.Unlock()
		s.bad = fmt.Errorf("%w: the log of seals does not agree with the seal of %s over J1 to J%d; 'witnessmark verify' tells what differs",
			ErrAltered, s.last.AtUs.Time().Format(time.RFC3339), s.last.Size)
		s.cfg.Log.Error("the journal is not sealed any more", "err", s.bad)
	}
	return nil
}

// extend puts the journal's entries up to to into the log.
func (s *Sealer) extend(ctx context.Context, to uint64) error {
	if s.log.Size() >= to {
		return nil
	}
	var err error
	if s.log.gone, err = removalsOf(ctx, s.cfg.Journal); err != nil {
		return err
	}
	defer func() { s.log.gone = nil }()
	if err := s.cfg.Journal.ReadWritten(ctx, s.log.Size()+1, to, s.log.Add); err != nil {
		return fmt.Errorf("read journal for sealing: %w", err)
	}
	for s.log.Size() < to { // the last ones are missing
		if err := s.log.add(s.log.absent(s.log.Size() + 1)); err != nil {
			return err
		}
	}
	return nil
}

// Run seals at each release and from time to time, until ctx ends.
func (s *Sealer) Run(ctx context.Context) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	due := make(chan string, 1) // job released; "" never
	ended := make(chan error, 1)
	go func() {
		ended <- s.cfg.Journal.Follow(ctx, s.from+1, func(es []events.Entry) error {
			if job, ok := released(es); ok {
				select {
				case due <- job:
				default: // a seal is due already and will cover this one too
				}
			}
			return nil
		})
	}()
	if err := s.Hold(ctx); err != nil && ctx.Err() == nil {
		s.cfg.Log.Error("cannot bring the log of seals up to the journal; tried again with the next seal", "err", err)
	}
	s.sendElsewhere(ctx)
	defer s.sending.Wait()
	defer cancel()
	tick := time.NewTicker(s.cfg.Every)
	defer tick.Stop()
	for {
		select {
		case job := <-due:
			s.try(ctx, WhyRelease, job)
		case <-tick.C:
			s.try(ctx, WhyTime, "")
		case err := <-ended:
			if ctx.Err() != nil {
				return nil
			}
			return fmt.Errorf("follow journal for sealing: %w", err)
		}
	}
}

func released(es []events.Entry) (job string, ok bool) {
	for i := range es {
		d, is := es[i].Data.(events.Decided)
		if !is {
			continue
		}
		for _, o := range d.Outcomes {
			if r, is := o.Data.(events.JobReleased); is {
				job, ok = r.Job, true
			}
		}
	}
	return job, ok
}

// try seals and only logs a failure: capture goes on, and the next seal covers
// what this one would have.
func (s *Sealer) try(ctx context.Context, why, job string) {
	if _, err := s.Seal(ctx, why, job); err != nil && ctx.Err() == nil {
		s.cfg.Log.Error("cannot seal the journal; the next seal will cover it", "err", err)
	}
}

// Seal signs a checkpoint over all that is in the journal, keeps it, and puts
// it into the journal. Without anything new since the last one but that seal
// itself, it returns the last one.
func (s *Sealer) Seal(ctx context.Context, why, job string) (events.SealMade, error) {
	if err := s.Hold(ctx); err != nil {
		return s.Last(), err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.bad != nil {
		return s.last, s.bad
	}
	last := s.cfg.Journal.Last()
	if last == 0 || s.last.Size > 0 && last <= s.last.Size+1 {
		return s.last, nil
	}
	if err := s.extend(ctx, last); err != nil {
		return s.last, err
	}
	root := s.log.Root()
	text, err := Checkpoint{Origin(s.cfg.Shop), last, root}.Sign(s.key.Signer)
	if err != nil {
		return s.last, err
	}
	made := events.SealMade{Size: last, Root: base64.StdEncoding.EncodeToString(root[:]), Note: text, Key: s.key.Name(), Why: why, Job: job,
		AtUs: events.InstantOf(s.cfg.Now())}
	if err := s.log.Sync(); err != nil {
		return s.last, err
	}
	if err := keep(s.cfg.Dir, checkpointsFile, made); err != nil {
		return s.last, err
	}
	s.last = made
	close(s.made)
	s.made = make(chan struct{})
	_, err = s.cfg.Journal.Append(ctx, events.Event{Source: Source, Number: s.cfg.Journal.LastNumber(Source) + 1, Time: made.AtUs, Subject: job, Data: made})
	if err != nil {
		return made, fmt.Errorf("put the seal into the journal: %w", err)
	}
	return made, nil
}

// newest returns the newest seal, and a channel that is closed with the next.
func (s *Sealer) newest() (events.SealMade, <-chan struct{}) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.last, s.made
}

// Last returns the newest seal; its Size is 0 if there is none.
func (s *Sealer) Last() events.SealMade {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.last
}

// Public returns the public key in force.
func (s *Sealer) Public() string { return s.key.Public }

// Close closes the log.
func (s *Sealer) Close() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.log.Close()
}

// replace writes the file of checkpoints anew: after a power cut it is there in
// its old or its new form.
func replace(dir string, seals []events.SealMade) error {
	next := checkpointsFile + ".new"
	if err := os.Remove(filepath.Join(dir, next)); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("put seals of a lost end aside: %w", err)
	}
	if err := writeSynced(filepath.Join(dir, next), nil, 0o644); err != nil {
		return fmt.Errorf("put seals of a lost end aside: %w", err)
	}
	for _, m := range seals {
		if err := keep(dir, next, m); err != nil {
			return err
		}
	}
	if err := os.Rename(filepath.Join(dir, next), filepath.Join(dir, checkpointsFile)); err != nil {
		return fmt.Errorf("put seals of a lost end aside: %w", err)
	}
	return syncNames(dir)
}

// keep appends a seal to a file of checkpoints on disk.
func keep(dir, name string, made events.SealMade) error {
	b, err := json.Marshal(made)
	if err != nil {
		return fmt.Errorf("keep seal: %w", err)
	}
	_, err = os.Stat(filepath.Join(dir, name))
	fresh := errors.Is(err, fs.ErrNotExist)
	f, err := os.OpenFile(filepath.Join(dir, name), os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o644)
	if err != nil {
		return fmt.Errorf("keep seal: %w", err)
	}
	_, err = f.Write(append(b, '\n'))
	if err = errors.Join(err, f.Sync(), f.Close()); err != nil {
		return fmt.Errorf("keep seal: %w", err)
	}
	if fresh {
		return syncNames(dir)
	}
	return nil
}

// syncNames brings the names of new files in a directory to disk, and its own.
func syncNames(dir string) error {
	for _, name := range []string{dir, filepath.Dir(dir)} {
		d, err := os.Open(name)
		if err == nil {
			err = errors.Join(d.Sync(), d.Close())
		}
		if err != nil {
			return fmt.Errorf("sync directory of seals: %w", err)
		}
	}
	return nil
}

// Checkpoints reads the seals kept in dir, oldest first. A line that a crash or
// a power cut left half written at the end is passed over: that seal was never
// given out, and one that was is told by the journal too.
func Checkpoints(dir string) ([]events.SealMade, error) { return checkpointsIn(dir, checkpointsFile) }

func checkpointsIn(dir, name string) ([]events.SealMade, error) {
	seals, _, err := readCheckpoints(dir, name)
	return seals, err
}

// readCheckpoints also tells whether the last line is half written: without its
// end, or with zeros where a power cut lost a part of it.
func readCheckpoints(dir, name string) (out []events.SealMade, torn bool, err error) {
	b, err := os.ReadFile(filepath.Join(dir, name))
	if errors.Is(err, fs.ErrNotExist) {
		return nil, false, nil
	}
	if err != nil {
		return nil, false, fmt.Errorf("read seals: %w", err)
	}
	for line, rest := 1, b; len(rest) > 0; line++ {
		text, more, whole := bytes.Cut(rest, []byte("\n"))
		rest = more
		var m events.SealMade
		if err := json.Unmarshal(text, &m); err != nil {
			if len(rest) == 0 && (!whole || bytes.IndexByte(text, 0) >= 0) {
				return out, true, nil
			}
			return nil, false, fmt.Errorf("read seals: %s, line %d: it is no seal: %v; put the file back from your copy", filepath.Join(dir, name), line, err)
		}
		out = append(out, m)
	}
	return out, len(b) > 0 && b[len(b)-1] != '\n', nil
}
