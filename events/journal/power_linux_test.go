package journal

import (
	"bufio"
	"fmt"
	"math/rand/v2"
	"os"
	"strings"
	"testing"

	"witnessmark/simulator/cutdisk"
)

// TestPowerCut: on an emulated disk that forgets what was not synced, names of
// files included, everything acknowledged is there after the cut. The blocks
// are as small as they can be, so that the cut falls between them too.
func TestPowerCut(t *testing.T) {
	tries := 6
	if testing.Short() {
		tries = 2
	}
	for name, names := range map[string]cutdisk.Names{"names with any sync": cutdisk.NamesWithAny, "names by their own sync": cutdisk.NamesBySync} {
		t.Run(name, func(t *testing.T) {
			rng := rand.New(rand.NewPCG(1, uint64(names)))
			acked, blocks := 0, 0
			for try := range tries {
				n, b := cutOnce(t, names, rng, []float64{0, 0.5}[try%2])
				acked, blocks = acked+n, blocks+b
			}
			t.Logf("%d cuts, %d acknowledged events in %d blocks, none lost", tries, acked, blocks)
			if acked == 0 || blocks <= tries && !testing.Short() {
				t.Error("the cuts fell where there was nothing to lose: this test cannot tell")
			}
		})
	}
}

func cutOnce(t *testing.T, names cutdisk.Names, rng *rand.Rand, luck float64) (acked, blocks int) {
	dir := t.TempDir()
	disk := cutdisk.New(names)
	unmount, err := disk.Mount(dir)
	if err != nil {
		t.Skip("SKIPPED: no file system can be mounted through FUSE here: ", err)
	}
	mounted := true
	defer func() {
		if mounted {
			_ = unmount() // failed already
		}
	}()
	cmd := runAs("writer", dir)
	cmd.Env = append(cmd.Env, "JOURNAL_TEST_MAX=120000")
	cmd.Stderr = nil
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	want := rng.IntN(60)
	last := map[string]uint64{} // by source, what was acknowledged
	lines := bufio.NewScanner(out)
	lines.Buffer(nil, 1<<20)
	for n := 0; n < want && lines.Scan(); n++ {
		source, rest, _ := strings.Cut(lines.Text(), " ")
		var first uint64
		fmt.Sscan(rest, &first)
		k := uint64(len(strings.Fields(rest[strings.Index(rest, "[")+1 : strings.Index(rest, "]")])))
		last[source] = first + k - 1
	}
	disk.Cut(rng, luck)
	_ = cmd.Process.Kill() // it may have ended
	_ = cmd.Wait()
	mounted = false
	if err := unmount(); err != nil {
		t.Fatal(err)
	}
	if err := disk.Save(dir); err != nil {
		t.Fatal(err)
	}
	j := openAt(t, dir)
	defer j.Close()
	there := map[string]uint64{}
	for _, e := range readAll(t, j, 1, 0) {
		if there[e.Source]++; there[e.Source] != e.Number {
			t.Fatalf("event %d of %s is number %d", there[e.Source], e.Source, e.Number)
		}
	}
	for source, n := range last {
		if there[source] < n {
			t.Errorf("%s: %d acknowledged, %d there, luck %g", source, n, there[source], luck)
		}
		acked += int(n)
	}
	if h := j.Holes(); len(h) > 0 {
		t.Errorf("holes %v", h)
	}
	files, _ := os.ReadDir(j.cfg.blocksDir())
	for _, f := range files {
		if strings.HasSuffix(f.Name(), ".blk") {
			blocks++
		}
	}
	return acked, blocks
}
