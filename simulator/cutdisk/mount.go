package cutdisk

import (
	"context"
	"fmt"
	"syscall"
	"time"

	"github.com/hanwen/go-fuse/v2/fs"
	"github.com/hanwen/go-fuse/v2/fuse"
)

// Mount makes the disk available at an empty or a covered directory, until
// unmount is called. It needs /dev/fuse, and root or fusermount.
func (k *Disk) Mount(at string) (unmount func() error, err error) {
	never := time.Duration(0)
	s, err := fs.Mount(at, &inode{disk: k, node: k.root}, &fs.Options{
		MountOptions:    fuse.MountOptions{FsName: "cutdisk", Name: "cutdisk", DirectMount: true, MaxWrite: 1 << 20},
		NullPermissions: true, AttrTimeout: &never, EntryTimeout: &never, NegativeTimeout: &never,
	})
	if err != nil {
		return nil, fmt.Errorf("mount emulated disk at %q: %w", at, err)
	}
	return func() error {
		var err error
		for range 200 { // a process that was killed may take a moment to let go
			if err = s.Unmount(); err == nil {
				return nil
			}
			time.Sleep(20 * time.Millisecond)
		}
		return fmt.Errorf("unmount emulated disk at %q: %w", at, err)
	}, nil
}

// inode is a file or directory as FUSE has it.
type inode struct {
	fs.Inode
	disk *Disk
	node node
}

// Interfaces that are found by their methods.
var (
	_ = fs.NodeLookuper((*inode)(nil))
	_ = fs.NodeCreater((*inode)(nil))
	_ = fs.NodeMkdirer((*inode)(nil))
	_ = fs.NodeUnlinker((*inode)(nil))
	_ = fs.NodeRmdirer((*inode)(nil))
	_ = fs.NodeRenamer((*inode)(nil))
	_ = fs.NodeReaddirer((*inode)(nil))
	_ = fs.NodeOpendirHandler((*inode)(nil))
	_ = fs.NodeOpener((*inode)(nil))
	_ = fs.NodeReader((*inode)(nil))
	_ = fs.NodeWriter((*inode)(nil))
	_ = fs.NodeFsyncer((*inode)(nil))
	_ = fs.NodeGetattrer((*inode)(nil))
	_ = fs.NodeSetattrer((*inode)(nil))
	_ = fs.NodeStatfser((*inode)(nil))
	_ = fs.FileFsyncdirer((*dirHandle)(nil))
	_ = fs.FileReaddirenter((*dirHandle)(nil))
)

// dark is what a disk without power answers.
const dark = syscall.EIO

// with runs do under the disk's lock, unless the power is cut.
func (i *inode) with(do func() syscall.Errno) syscall.Errno {
	i.disk.mu.Lock()
	defer i.disk.mu.Unlock()
	if i.disk.dead {
		return dark
	}
	return do()
}

func (i *inode) child(ctx context.Context, n node, out *fuse.EntryOut) *fs.Inode {
	attrs(n, &out.Attr)
	mode := uint32(syscall.S_IFREG)
	if _, ok := n.(*dir); ok {
		mode = syscall.S_IFDIR
	}
	return i.NewInode(ctx, &inode{disk: i.disk, node: n}, fs.StableAttr{Mode: mode, Ino: n.number() + 1})
}

func attrs(n node, a *fuse.Attr) {
	switch n := n.(type) {
	case *dir:
		a.Mode = n.mode | syscall.S_IFDIR
		a.SetTimes(nil, &n.mtime, &n.mtime)
	case *file:
		a.Mode, a.Size, a.Blocks = n.mode|syscall.S_IFREG, uint64(len(n.now)), uint64(len(n.now)+511)/512
		a.SetTimes(nil, &n.mtime, &n.mtime)
	}
	a.Blksize = page
}

func (i *inode) Lookup(ctx context.Context, name string, out *fuse.EntryOut) (c *fs.Inode, errno syscall.Errno) {
	errno = i.with(func() syscall.Errno {
		n := i.node.(*dir).now[name]
		if n == nil {
			return syscall.ENOENT
		}
		c = i.child(ctx, n, out)
		return 0
	})
	return c, errno
}

func (i *inode) Create(ctx context.Context, name string, flags, mode uint32, out *fuse.EntryOut) (c *fs.Inode, h fs.FileHandle, _ uint32, errno syscall.Errno) {
	errno = i.with(func() syscall.Errno {
		d := i.node.(*dir)
		n := d.now[name]
		if n == nil {
			n = i.disk.newFile(mode & 0o777)
			i.disk.put(d, name, n)
		}
		c = i.child(ctx, n, out)
		return 0
	})
	return c, handleOf(flags), 0, errno
}

func (i *inode) Mkdir(ctx context.Context, name string, mode uint32, out *fuse.EntryOut) (c *fs.Inode, errno syscall.Errno) {
	errno = i.with(func() syscall.Errno {
		d := i.node.(*dir)
		if d.now[name] != nil {
			return syscall.EEXIST
		}
		n := i.disk.newDir(mode & 0o777)
		i.disk.put(d, name, n)
		c = i.child(ctx, n, out)
		return 0
	})
	return c, errno
}

func (i *inode) Unlink(_ context.Context, name string) syscall.Errno {
	return i.with(func() syscall.Errno {
		if i.node.(*dir).now[name] == nil {
			return syscall.ENOENT
		}
		i.disk.drop(i.node.(*dir), name)
		return 0
	})
}

func (i *inode) Rmdir(_ context.Context, name string) syscall.Errno {
	return i.with(func() syscall.Errno {
		n, ok := i.node.(*dir).now[name].(*dir)
		switch {
		case !ok:
			return syscall.ENOENT
		case len(n.now) > 0:
			return syscall.ENOTEMPTY
		}
		i.disk.drop(i.node.(*dir), name)
		return 0
	})
}

func (i *inode) Rename(_ context.Context, name string, newParent fs.InodeEmbedder, newName string, flags uint32) syscall.Errno {
	return i.with(func() syscall.Errno {
		from, to := i.node.(*dir), newParent.(*inode).node.(*dir)
		switch {
		case flags != 0:
			return syscall.EINVAL
		case from.now[name] == nil:
			return syscall.ENOENT
		}
		i.disk.move(from, name, to, newName)
		return 0
	})
}

func (i *inode) Readdir(context.Context) (s fs.DirStream, errno syscall.Errno) {
	errno = i.with(func() syscall.Errno {
		var list []fuse.DirEntry
		d := i.node.(*dir)
		for _, name := range sorted(d.now) {
			mode := uint32(syscall.S_IFREG)
			if _, ok := d.now[name].(*dir); ok {
				mode = syscall.S_IFDIR
			}
			list = append(list, fuse.DirEntry{Name: name, Mode: mode, Ino: d.now[name].number() + 1})
		}
		s = fs.NewListDirStream(list)
		return 0
	})
	return s, errno
}

// dirHandle is an open directory.
type dirHandle struct {
	i    *inode
	list fs.DirStream
}

func (i *inode) OpendirHandle(ctx context.Context, _ uint32) (fs.FileHandle, uint32, syscall.Errno) {
	list, errno := i.Readdir(ctx)
	return &dirHandle{i, list}, 0, errno
}

func (h *dirHandle) Readdirent(context.Context) (*fuse.DirEntry, syscall.Errno) {
	if !h.list.HasNext() {
		return nil, 0
	}
	e, errno := h.list.Next()
	return &e, errno
}

func (h *dirHandle) Fsyncdir(context.Context, uint32) syscall.Errno {
	return h.i.with(func() syscall.Errno {
		h.i.disk.syncNames(h.i.node.(*dir))
		return 0
	})
}

// handle is an open file.
type handle struct{ sync bool } // opened with O_SYNC or O_DSYNC

func handleOf(flags uint32) *handle { return &handle{flags&(syscall.O_SYNC|syscall.O_DSYNC) != 0} }

func (i *inode) Open(_ context.Context, flags uint32) (fs.FileHandle, uint32, syscall.Errno) {
	return handleOf(flags), 0, i.with(func() syscall.Errno {
		if flags&syscall.O_TRUNC != 0 {
			i.node.(*file).resize(0)
		}
		return 0
	})
}

func (i *inode) Read(_ context.Context, _ fs.FileHandle, dest []byte, off int64) (fuse.ReadResult, syscall.Errno) {
	n := 0
	errno := i.with(func() syscall.Errno {
		if f := i.node.(*file); off < int64(len(f.now)) {
			n = copy(dest, f.now[off:])
		}
		return 0
	})
	return fuse.ReadResultData(dest[:n]), errno
}

func (i *inode) Write(_ context.Context, h fs.FileHandle, data []byte, off int64) (uint32, syscall.Errno) {
	return uint32(len(data)), i.with(func() syscall.Errno {
		f := i.node.(*file)
		f.write(data, off)
		if o, ok := h.(*handle); ok && o.sync {
			i.disk.syncFile(f)
		}
		return 0
	})
}

func (i *inode) Fsync(context.Context, fs.FileHandle, uint32) syscall.Errno {
	return i.with(func() syscall.Errno {
		switch n := i.node.(type) {
		case *file:
			i.disk.syncFile(n)
		case *dir:
			i.disk.syncNames(n)
		}
		return 0
	})
}

func (i *inode) Getattr(_ context.Context, _ fs.FileHandle, out *fuse.AttrOut) syscall.Errno {
	return i.with(func() syscall.Errno { attrs(i.node, &out.Attr); return 0 })
}

func (i *inode) Setattr(_ context.Context, _ fs.FileHandle, in *fuse.SetAttrIn, out *fuse.AttrOut) syscall.Errno {
	return i.with(func() syscall.Errno {
		size, resize := in.GetSize()
		mode, chmod := in.GetMode()
		switch n := i.node.(type) {
		case *file:
			if resize {
				n.resize(int(size))
			}
			if chmod {
				n.mode = mode & 0o777
			}
			if t, ok := in.GetMTime(); ok {
				n.mtime = t
			}
		case *dir:
			if chmod {
				n.mode = mode & 0o777
			}
		}
		attrs(i.node, &out.Attr)
		return 0
	})
}

func (i *inode) Statfs(_ context.Context, out *fuse.StatfsOut) syscall.Errno {
	out.Bsize, out.Frsize = page, page
	out.Blocks, out.Bfree, out.Bavail = 1<<22, 1<<21, 1<<21 // 16 GiB, half of it free
	out.NameLen = 255
	return 0
}
