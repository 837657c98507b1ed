// Package access decides who may do what: it knows the secrets of people and
// the tokens of devices and sessions, holds the table of rights, limits tries,
// and has every refusal written into the journal.
//
// Until the first owner is made, nobody is asked who they are, and the service
// answers on the loopback address only. From then on every address and every
// request has a line in the Table, and what has none is refused to all.
//
// Secrets are in a file of their own, beside the journal and never in it.
package access

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"sync"
	"time"

	"witnessmark/events"
)

// Times after which a session ends, and how long an enrolment code lives.
const (
	IdleLimit = time.Hour      // without a deed; a page that updates itself is none
	LongLimit = 12 * time.Hour // after sign-in, whatever is done
	CodeLimit = 10 * time.Minute
)

// Config says what access is decided by.
type Config struct {
	// Dir is the directory of the file of secrets; "" keeps nothing on disk.
	Dir string
	// People are those of the shop file in force.
	People  func() []events.Person
	Journal Journal      // takes refusals and changes; nil: they are only counted
	Log     *slog.Logger // nil: slog.Default
	Now     func() time.Time
	Cost    Cost // of a look at a secret; zero: the usual one
}

// Keeper knows who is who and who may do what. Run must run beside it.
type Keeper struct {
	cfg      Config
	hash     *hasher
	refusals *refusals
	store    *store

	byAddress, byPerson *tries

	mu       sync.Mutex
	d        saved
	sessions map[string]*session // by fingerprint of the token
	owner    string              // owner code in force, as codeOf gives it; "" for none
	codes    map[string]enrolment
}

type session struct {
	savedSession
	seen  time.Time
	ended chan struct{}
}

type enrolment struct {
	Kind, Bench, Name, By string
	until                 time.Time
}

// Open reads the secrets and takes their directory for itself.
func Open(cfg Config) (*Keeper, error) {
	if cfg.People == nil {
		return nil, errors.New("open access: People is needed")
	}
	if cfg.Log == nil {
		cfg.Log = slog.Default()
	}
	if cfg.Now == nil {
		cfg.Now = time.Now
	}
	k := &Keeper{cfg: cfg, hash: newHasher(cfg.Cost), refusals: newRefusals(cfg.Journal, cfg.Log, cfg.Now),
		byAddress: newTries(3*time.Second, 20), byPerson: newTries(30*time.Second, 5),
		sessions: map[string]*session{}, codes: map[string]enrolment{}}
	var mended bool
	var err error
	if k.store, k.d, mended, err = openStore(cfg.Dir); err != nil {
		return nil, err
	}
	if mended {
		cfg.Log.Warn("others could read the file of secrets; it is shut now. Set new secrets if somebody may have", "dir", cfg.Dir)
	}
	for _, s := range k.d.Sessions {
		k.sessions[s.Token] = &session{savedSession: s, seen: s.SeenUs.Time(), ended: make(chan struct{})}
	}
	return k, nil
}

// Run writes folded refusals until ctx ends, and what is left then.
func (k *Keeper) Run(ctx context.Context) error {
	k.refusals.run(ctx)
	return nil
}

// Close gives the secrets free.
func (k *Keeper) Close() error {
	k.mu.Lock()
	defer k.mu.Unlock()
	k.store.close()
	return nil
}

// Configured reports whether an owner was made: from then on people sign in.
func (k *Keeper) Configured() bool {
	k.mu.Lock()
	defer k.mu.Unlock()
	return k.d.BeganUs != 0
}

// Refused returns how many refusals there were since the start.
func (k *Keeper) Refused() uint64 { return k.refusals.total() }

func (k *Keeper) person(id string) (events.Person, bool) {
	people := k.cfg.People()
	i := slices.IndexFunc(people, func(p events.Person) bool { return p.ID == id })
	if i < 0 {
		return events.Person{}, false
	}
	return people[i], true
}

// OwnerMissing reports whether no owner of the shop file can sign in.
func (k *Keeper) OwnerMissing() bool {
	k.mu.Lock()
	defer k.mu.Unlock()
	return !slices.ContainsFunc(k.cfg.People(), func(p events.Person) bool {
		return p.Role == events.RoleOwner && k.d.People[p.ID].Secret != ""
	})
}

// NewOwnerCode draws the code with which an owner is made, once, and returns
// it to be shown to whoever stands at the machine. An earlier one is void.
func (k *Keeper) NewOwnerCode() string {
	c := code(4)
	k.mu.Lock()
	defer k.mu.Unlock()
	k.owner = codeOf(c)
	return c
}

// change edits what is saved: only if it is on disk afterwards does it hold.
func (k *Keeper) change(edit func(d *saved)) error {
	d := k.d
	d.People = make(map[string]savedPerson, len(k.d.People)+1)
	for id, p := range k.d.People {
		d.People[id] = p
	}
	d.Devices = slices.Clone(k.d.Devices)
	edit(&d)
	d.Sessions = d.Sessions[:0:0]
	for _, s := range k.sessions {
		s.SeenUs = events.InstantOf(s.seen)
		d.Sessions = append(d.Sessions, s.savedSession)
	}
	slices.SortFunc(d.Sessions, func(a, b savedSession) int { return int(a.BeganUs - b.BeganUs) })
	if err := k.store.save(d); err != nil {
		return err
	}
	k.d = d
	return nil
}

// end ends the sessions that gone is true of. k.mu is held.
func (k *Keeper) end(gone func(*session) bool) {
	for token, s := range k.sessions {
		if gone(s) {
			delete(k.sessions, token)
			close(s.ended)
		}
	}
}

// setSecret gives a person a secret, and ends the person's sessions.
func (k *Keeper) setSecret(ctx context.Context, id, secret string, also func(d *saved)) error {
	if err := fit(secret, k.cfg.People()); err != nil {
		return err
	}
	h, err := k.hash.make(ctx, secret)
	if err != nil {
		return fmt.Errorf("set secret: %w", err)
	}
	k.mu.Lock()
	defer k.mu.Unlock()
	k.end(func(s *session) bool { return s.Person == id })
	return k.change(func(d *saved) {
		d.People[id] = savedPerson{h, events.InstantOf(k.cfg.Now())}
		if also != nil {
			also(d)
		}
	})
}

// Begin makes an owner of a person whom the shop file calls one, with the code
// that the service printed. It works once.
func (k *Keeper) Begin(ctx context.Context, v *Visit, code, id, secret string) error {
	if err := k.try(ctx, v, "POST /begin"); err != nil {
		return err
	}
	k.mu.Lock()
	good := k.owner != "" && sameText(k.owner, codeOf(code))
	k.mu.Unlock()
	if !good {
		return k.refuse(ctx, v, events.RefusedCode, "POST /begin", "This owner code is not in force.",
			"The service prints one when it starts, as long as no owner can sign in. It works once.")
	}
	p, ok := k.person(id)
	if !ok || p.Role != events.RoleOwner {
		return &WeakError{"The shop file has no owner with this id.", "Give a person 'role: owner' there, start the service again, and use the new code that it prints."}
	}
	if err := fit(secret, k.cfg.People()); err != nil {
		return err // the code stays in force
	}
	k.mu.Lock()
	good = k.owner != "" && sameText(k.owner, codeOf(code))
	k.owner = ""
	k.mu.Unlock()
	if !good { // somebody was quicker
		return k.refuse(ctx, v, events.RefusedCode, "POST /begin", "This owner code has been used.", "Start the service again for a new one, if no owner can sign in.")
	}
	if err := k.setSecret(ctx, id, secret, func(d *saved) {
		if d.BeganUs == 0 {
			d.BeganUs = events.InstantOf(k.cfg.Now())
		}
	}); err != nil {
		k.mu.Lock()
		k.owner = codeOf(code) // nothing was changed
		k.mu.Unlock()
		return err
	}
	k.tell(ctx, v, events.AccessChanged{What: events.AccessOwnerMade, Person: id})
	return nil
}

// tell writes a change of access into the journal.
func (k *Keeper) tell(ctx context.Context, v *Visit, c events.AccessChanged) {
	c.From, c.AtUs = v.From, events.InstantOf(k.cfg.Now())
	if c.By == "" {
		c.By = v.Person
	}
	k.refusals.put(context.WithoutCancel(ctx), c)
}

// SignIn begins a session of a person and returns its token. The session with
// which the visitor came, if any, ends.
func (k *Keeper) SignIn(ctx context.Context, v *Visit, id, secret string) (token string, p events.Person, err error) {
	if p, err = k.prove(ctx, v, "POST /sign-in", id, secret); err != nil {
		return "", p, err
	}
	return k.began(v, p)
}

func (k *Keeper) began(v *Visit, p events.Person) (string, events.Person, error) {
	t := token()
	now := k.cfg.Now()
	k.mu.Lock()
	defer k.mu.Unlock()
	k.end(func(s *session) bool { return v.session != "" && s.Token == v.session || k.over(s, now) })
	at := events.InstantOf(now)
	k.sessions[fingerprint(t)] = &session{savedSession{fingerprint(t), p.ID, p.Role, v.From, at, at}, now, make(chan struct{})}
	if err := k.change(func(*saved) {}); err != nil {
		delete(k.sessions, fingerprint(t))
		return "", p, err
	}
	return t, p, nil
}

// prove checks a person's secret. Whether there is no such person, the person
// has no secret, or it is another one, the answer is the same.
func (k *Keeper) prove(ctx context.Context, v *Visit, what, id, secret string) (events.Person, error) {
	if err := k.try(ctx, v, what); err != nil {
		return events.Person{}, err
	}
	p, known := k.person(id)
	if known && !k.byPerson.take(id, k.cfg.Now()) {
		return events.Person{}, k.tooMany(ctx, v, what, id)
	}
	k.mu.Lock()
	hash := k.d.People[id].Secret
	k.mu.Unlock()
	if !known {
		hash = ""
	}
	if len(secret) > mostSecret {
		secret, hash = "", ""
	}
	good, err := k.hash.good(ctx, hash, secret)
	if err != nil {
		return events.Person{}, err
	}
	if !good {
		w := *v
		if w.Person == "" && known {
			w.Person, w.Role = p.ID, p.Role
		}
		return events.Person{}, k.refuse(ctx, &w, events.RefusedSecret, what, "This name and secret do not belong together.", "Type both again. An owner can set a new secret.")
	}
	k.byPerson.clear(id)
	return p, nil
}

// try counts an attempt by its address.
func (k *Keeper) try(ctx context.Context, v *Visit, what string) error {
	if k.byAddress.take(neighbourhood(v.From), k.cfg.Now()) {
		return nil
	}
	return k.tooMany(ctx, v, what, "")
}

func (k *Keeper) tooMany(ctx context.Context, v *Visit, what, person string) error {
	w := *v
	if w.Person == "" {
		w.Person = person
	}
	err := k.refuse(ctx, &w, events.RefusedTooMany, what, "There were too many tries.", "Wait a minute, then try again.")
	err.Status = 429
	return err
}

// SignOut ends the visitor's session.
func (k *Keeper) SignOut(v *Visit) error {
	k.mu.Lock()
	defer k.mu.Unlock()
	k.end(func(s *session) bool { return v.session != "" && s.Token == v.session })
	return k.change(func(*saved) {})
}

// over reports whether a session has come to its end. k.mu is held.
func (k *Keeper) over(s *session, now time.Time) bool {
	p, ok := k.person(s.Person)
	idle, long := now.Sub(s.seen), now.Sub(s.BeganUs.Time())
	// A clock that was set back by more than a little ends it as well.
	return !ok || p.Role != s.Role || idle >= IdleLimit || long >= LongLimit || long < -time.Minute || idle < -time.Minute
}

// SetSecret gives another person, or oneself, a secret.
func (k *Keeper) SetSecret(ctx context.Context, v *Visit, id, secret string) error {
	if _, ok := k.person(id); !ok {
		return &WeakError{"The shop file names nobody with this id.", "Put the person into the shop file, and start the service again."}
	}
	if err := k.setSecret(ctx, id, secret, nil); err != nil {
		return err
	}
	k.tell(ctx, v, events.AccessChanged{What: events.AccessSecretSet, Person: id})
	return nil
}

// ChangeSecret gives the visitor a new secret; all the visitor's sessions end.
func (k *Keeper) ChangeSecret(ctx context.Context, v *Visit, old, secret string) error {
	if _, err := k.prove(ctx, v, "POST /me/secret", v.Person, old); err != nil {
		return err
	}
	return k.SetSecret(ctx, v, v.Person, secret)
}

// Forget takes a person's secret away, and ends the person's sessions.
func (k *Keeper) Forget(ctx context.Context, v *Visit, id string) error {
	k.mu.Lock()
	if _, ok := k.d.People[id]; !ok {
		k.mu.Unlock()
		return &WeakError{"Nobody with this id has a secret.", "Look at the list again."}
	}
	k.end(func(s *session) bool { return s.Person == id })
	err := k.change(func(d *saved) { delete(d.People, id) })
	k.mu.Unlock()
	if err != nil {
		return err
	}
	k.tell(ctx, v, events.AccessChanged{What: events.AccessSecretRemoved, Person: id})
	return nil
}

// Standing says how a person stands with access.
type Standing struct {
	events.Person
	Secret   bool           // can sign in
	SetUs    events.Instant // when the secret was set
	Sessions int
	Gone     bool // has a secret, but is not in the shop file any more
}

// Standings lists the people of the shop file, and those who have a secret
// still.
func (k *Keeper) Standings() []Standing {
	people := k.cfg.People()
	k.mu.Lock()
	defer k.mu.Unlock()
	now := k.cfg.Now()
	var out []Standing
	for _, p := range people {
		s := Standing{Person: p, Secret: k.d.People[p.ID].Secret != "", SetUs: k.d.People[p.ID].AtUs}
		for _, x := range k.sessions {
			if x.Person == p.ID && !k.over(x, now) {
				s.Sessions++
			}
		}
		out = append(out, s)
	}
	for id, p := range k.d.People {
		if !slices.ContainsFunc(people, func(q events.Person) bool { return q.ID == id }) {
			out = append(out, Standing{Person: events.Person{ID: id}, Secret: true, SetUs: p.AtUs, Gone: true})
		}
	}
	slices.SortStableFunc(out, func(a, b Standing) int {
		if a.Gone == b.Gone {
			return 0
		}
		if a.Gone {
			return 1
		}
		return -1
	})
	return out
}
