package cutdisk

import (
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"slices"
)

// Load puts what is in a directory onto the disk, synced.
func (k *Disk) Load(from string) error {
	k.mu.Lock()
	defer k.mu.Unlock()
	return k.load(k.root, from)
}

func (k *Disk) load(d *dir, from string) error {
	list, err := os.ReadDir(from)
	if err != nil {
		return fmt.Errorf("load emulated disk: %w", err)
	}
	for _, e := range list {
		path := filepath.Join(from, e.Name())
		info, err := e.Info()
		if err != nil {
			return fmt.Errorf("load emulated disk: %w", err)
		}
		var n node
		switch {
		case e.IsDir():
			sub := k.newDir(uint32(info.Mode().Perm()))
			if err := k.load(sub, path); err != nil {
				return err
			}
			n = sub
		case info.Mode().IsRegular():
			f := k.newFile(uint32(info.Mode().Perm()))
			if f.now, err = os.ReadFile(path); err != nil {
				return fmt.Errorf("load emulated disk: %w", err)
			}
			f.kept, f.mtime = slices.Clone(f.now), info.ModTime()
			n = f
		default:
			continue // a socket or the like is no part of a disk
		}
		d.now[e.Name()], d.kept[e.Name()] = n, n
	}
	return nil
}

// Save writes what is on the disk into a directory, in place of what is there.
func (k *Disk) Save(to string) error {
	k.mu.Lock()
	defer k.mu.Unlock()
	list, err := os.ReadDir(to)
	if err != nil {
		return fmt.Errorf("save emulated disk: %w", err)
	}
	for _, e := range list {
		if err := os.RemoveAll(filepath.Join(to, e.Name())); err != nil {
			return fmt.Errorf("save emulated disk: %w", err)
		}
	}
	return save(k.root, to)
}

func save(d *dir, to string) error {
	if err := os.Mkdir(to, fs.FileMode(d.mode)); err != nil && !errors.Is(err, fs.ErrExist) {
		return fmt.Errorf("save emulated disk: %w", err)
	}
	for _, name := range sorted(d.now) {
		path := filepath.Join(to, name)
		switch n := d.now[name].(type) {
		case *dir:
			if err := save(n, path); err != nil {
				return err
			}
		case *file:
			if err := os.WriteFile(path, n.now, fs.FileMode(n.mode)); err != nil {
				return fmt.Errorf("save emulated disk: %w", err)
			}
			if err := os.Chtimes(path, n.mtime, n.mtime); err != nil {
				return fmt.Errorf("save emulated disk: %w", err)
			}
		}
	}
	return nil
}

func sorted(m map[string]node) []string { return slices.Sorted(maps.Keys(m)) }
