package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"

	"github.com/spf13/cobra"

	"witnessmark/simulator/cutdisk"
)

func newDrillPower() *cobra.Command {
	var o drillOptions
	var names string
	cmd := &cobra.Command{
		Use:   "power",
		Short: "Cut the power of an emulated disk, under load",
		Long: `As 'drill kill', with the data directory on an emulated disk: a file system in
memory, mounted through FUSE, that forgets at the cut what was not synced, or
keeps a random part of it. In half of the cuts nothing that was not synced
survives, in the others each sector of 512 bytes, each new size and each new
name by chance.

--names says when a new or changed name is safe: 'ordered', with any later sync,
as on ext4 and XFS; 'posix', only with a sync of its own directory.

What it proves: that the program syncs what it must before it answers. What it
cannot prove: that your disk does what it says when told to sync. Needs
/dev/fuse, and root or fusermount.`,
		Example: "  witnessmark drill power --times 100\n  witnessmark drill power --times 100 --names posix",
		Args:    cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			exe, err := os.Executable()
			if err != nil {
				return err
			}
			return runPower(c.Context(), c.OutOrStdout(), c.ErrOrStderr(), exe, names, o)
		},
	}
	o.flags(cmd, 100)
	cmd.Flags().StringVar(&names, "names", "ordered", "when a name is safe: ordered or posix")
	return cmd
}

// errNoFUSE means that no emulated disk can be had here.
var errNoFUSE = errors.New("no file system can be mounted through FUSE here; it needs /dev/fuse, and root or fusermount")

func runPower(ctx context.Context, out, progress io.Writer, exe, names string, o drillOptions) (err error) {
	kinds := map[string]cutdisk.Names{"ordered": cutdisk.NamesWithAny, "posix": cutdisk.NamesBySync}
	kind, ok := kinds[names]
	if !ok || o.times < 1 || o.benches < 1 {
		return usageError("--names %q: want ordered or posix; --times and --benches: 1 or more", names)
	}
	d, err := openDrill(ctx, exe, o)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, d.close()) }()
	d.progress = progress
	d.onDisk(kind)
	counts, err := d.kills(ctx, o.times)
	if err != nil {
		return fmt.Errorf("after %d cuts: %w; the data is kept in %s", counts.Kills, err, d.keepData())
	}
	return counts.print(out, o.json)
}

// onDisk puts the data directory on an emulated disk while a process runs.
// Between, what is left lies in the directory itself.
func (d *drill) onDisk(kind cutdisk.Names) {
	var disk *cutdisk.Disk
	var unmount func() error
	d.before = func() (err error) {
		disk = cutdisk.New(kind)
		if err := disk.Load(d.data); err != nil {
			return err
		}
		if unmount, err = disk.Mount(d.data); err != nil {
			return fmt.Errorf("%w (%v)", errNoFUSE, err)
		}
		return nil
	}
	d.blow = func(p *process) (ended bool, err error) {
		luck := 0.0
		if d.rng.IntN(2) == 0 {
			luck = d.rng.Float64()
		}
		disk.Cut(d.rng, luck)
		ended, err = p.kill()
		return ended, errors.Join(err, unmount(), disk.Save(d.data))
	}
}
