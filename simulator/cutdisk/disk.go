// Package cutdisk emulates a disk whose power can be cut: a file system in
// memory, mounted by FUSE, that knows of every byte and every directory entry
// whether it was synced. After a cut only that is left, or that and a random
// part of the rest, as on a real disk, which writes what it likes when it
// likes.
//
// What it shows and what not: it holds a program to its own calls of fsync. It
// says nothing of a disk or a controller that acknowledges a flush and does
// not do it, nor of damage to what was synced.
package cutdisk

import (
	"maps"
	"math/rand/v2"
	"sync"
	"time"
)

// Names says when the names of files are safe.
type Names int

const (
	// NamesWithAny: a sync of any file or directory brings all creations,
	// renames and removals before it to disk as well, and without one they
	// survive in the order made. ext4 and XFS do so.
	NamesWithAny Names = iota
	// NamesBySync: an entry is safe only once its own directory was synced,
	// which is all that POSIX promises; without that any of them may survive,
	// in whatever order.
	NamesBySync
)

const (
	page   = 4096
	sector = 512 // written whole or not at all
)

// Disk is the emulated disk. Its zero value is not usable; see New.
type Disk struct {
	names Names

	mu      sync.Mutex
	root    *dir
	ino     uint64
	pending []*change // of names, oldest first
	dead    bool      // the power is cut
	syncs   int
}

// node is a *file or a *dir.
type node interface{ number() uint64 }

type dir struct {
	ino   uint64
	mode  uint32
	mtime time.Time
	now   map[string]node // what a program sees
	kept  map[string]node // what is on disk
}

type file struct {
	ino   uint64
	mode  uint32
	mtime time.Time
	now   []byte
	kept  []byte
	dirty map[int64]bool // pages of now that differ from kept
}

func (d *dir) number() uint64  { return d.ino }
func (f *file) number() uint64 { return f.ino }

// change is one creation, renaming or removal that is not on disk yet.
type change struct {
	dirs []*dir
	do   func()
}

// New returns an empty disk.
func New(names Names) *Disk {
	k := &Disk{names: names}
	k.root = k.newDir(0o755)
	return k
}

func (k *Disk) newDir(mode uint32) *dir {
	k.ino++
	return &dir{ino: k.ino, mode: mode, mtime: time.Now(), now: map[string]node{}, kept: map[string]node{}}
}

func (k *Disk) newFile(mode uint32) *file {
	k.ino++
	return &file{ino: k.ino, mode: mode, mtime: time.Now(), dirty: map[int64]bool{}}
}

// changed notes a change of names.
func (k *Disk) changed(do func(), dirs ...*dir) {
	k.pending = append(k.pending, &change{dirs, do})
	for _, d := range dirs {
		d.mtime = time.Now()
	}
}

// put makes an entry.
func (k *Disk) put(d *dir, name string, n node) {
	d.now[name] = n
	k.changed(func() { d.kept[name] = n }, d)
}

// drop removes an entry.
func (k *Disk) drop(d *dir, name string) {
	delete(d.now, name)
	k.changed(func() { delete(d.kept, name) }, d)
}

// move renames; on disk too it is done whole or not at all.
func (k *Disk) move(from *dir, name string, to *dir, newName string) {
	n := from.now[name]
	delete(from.now, name)
	to.now[newName] = n
	k.changed(func() {
		delete(from.kept, name)
		to.kept[newName] = n
	}, from, to)
}

// syncNames brings changes of names to disk: those of d, or all.
func (k *Disk) syncNames(d *dir) {
	var left []*change
	for _, c := range k.pending {
		mine := k.names == NamesWithAny
		for _, x := range c.dirs {
			mine = mine || x == d
		}
		if mine {
			c.do()
		} else {
			left = append(left, c)
		}
	}
	k.pending = left
}

// syncFile brings a file's bytes and size to disk.
func (k *Disk) syncFile(f *file) {
	k.syncs++
	f.resizeKept(len(f.now))
	for p := range f.dirty {
		from := int(p) * page
		if from < len(f.now) {
			copy(f.kept[from:], f.now[from:min(from+page, len(f.now))])
		}
	}
	clear(f.dirty)
	if k.names == NamesWithAny {
		k.syncNames(nil)
	}
}

func (f *file) resizeKept(n int) {
	if n <= len(f.kept) {
		f.kept = f.kept[:n:n]
		return
	}
	f.kept = append(f.kept, make([]byte, n-len(f.kept))...)
}

// touch notes that bytes from from up to to may differ from the disk's.
func (f *file) touch(from, to int64) {
	for p := from / page; p*page < to; p++ {
		f.dirty[p] = true
	}
	f.mtime = time.Now()
}

// write writes as pwrite does.
func (f *file) write(b []byte, at int64) {
	f.resize(max(len(f.now), int(at)+len(b)))
	copy(f.now[at:], b)
	f.touch(at, at+int64(len(b)))
}

func (f *file) resize(n int) {
	was := len(f.now)
	switch {
	case n < was:
		f.now = f.now[:n:n]
		f.touch(int64(n), int64(was))
	case n > cap(f.now):
		grown := make([]byte, n, n+n/4)
		copy(grown, f.now)
		f.now = grown
		f.touch(int64(was), int64(n))
	case n > was:
		f.now = f.now[:n]
		clear(f.now[was:])
		f.touch(int64(was), int64(n))
	}
}

// Cut cuts the power: from now on every call fails, and what is not synced is
// lost. luck is how likely each sector and each name that was not synced
// survives all the same: 0, none does.
func (k *Disk) Cut(rng *rand.Rand, luck float64) {
	k.mu.Lock()
	defer k.mu.Unlock()
	k.dead = true
	for _, c := range k.pending {
		lucky := rng.Float64() < luck
		if !lucky && k.names == NamesWithAny {
			break // and none after it
		}
		if lucky {
			c.do()
		}
	}
	k.pending = nil
	seen := map[node]bool{}
	k.settle(k.root, seen, rng, luck)
}

// settle makes what is kept what is there, below d.
func (k *Disk) settle(d *dir, seen map[node]bool, rng *rand.Rand, luck float64) {
	if seen[d] {
		return
	}
	seen[d] = true
	for _, name := range sorted(d.kept) {
		switch n := d.kept[name].(type) {
		case *dir:
			k.settle(n, seen, rng, luck)
		case *file:
			if !seen[n] {
				seen[n] = true
				n.settle(rng, luck)
			}
		}
	}
	d.now = maps.Clone(d.kept)
}

func (f *file) settle(rng *rand.Rand, luck float64) {
	if rng.Float64() < luck {
		f.resizeKept(len(f.now))
	}
	for p := range f.dirty {
		for s := int(p) * page; s < (int(p)+1)*page; s += sector {
			to := min(s+sector, len(f.now), len(f.kept))
			if s < to && rng.Float64() < luck {
				copy(f.kept[s:to], f.now[s:to])
			}
		}
	}
	clear(f.dirty)
	f.now = append([]byte(nil), f.kept...)
}

// Syncs returns how many files were synced.
func (k *Disk) Syncs() int {
	k.mu.Lock()
	defer k.mu.Unlock()
	return k.syncs
}
