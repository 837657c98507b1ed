package profile

import (
	"encoding/json"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

var update = flag.Bool("update", false, "write the wanted results of testdata anew")

// fieldWant is want.json of one folder of testdata: what the stream of
// stream.hex gives with a profile.
type fieldWant struct {
	About   string       `json:"about"` // what happened on the line
	Profile string       `json:"profile"`
	Frames  []fieldFrame `json:"frames"`
}

type fieldFrame struct {
	Offset  uint64 `json:"offset"`
	Length  int    `json:"length"`
	Refused string `json:"refused,omitempty"`
	Kind    Kind   `json:"kind,omitempty"`
	Text    string `json:"text,omitempty"`
	Unit    string `json:"unit,omitempty"`
	Value   any    `json:"value,omitempty"`
	Counter string `json:"counter,omitempty"`
	Frame   string `json:"frame_number,omitempty"`
	Travel  any    `json:"travel,omitempty"`
	Without string `json:"no_travel,omitempty"`
	Status  string `json:"status,omitempty"`
	Good    bool   `json:"good,omitempty"`
}

// TestField: each folder of testdata is a fault on a line, as a stream and
// what must come of it. All of them are invented; a fault that is met in a
// shop is a new folder.
func TestField(t *testing.T) {
	dirs, err := filepath.Glob("testdata/*/stream.hex")
	if err != nil || len(dirs) == 0 {
		t.Fatalf("no streams in testdata: %v", err)
	}
	for _, file := range dirs {
		dir := filepath.Dir(file)
		t.Run(filepath.Base(dir), func(t *testing.T) {
			var want fieldWant
			text, err := os.ReadFile(filepath.Join(dir, "want.json"))
			if err == nil {
				err = json.Unmarshal(text, &want)
			}
			if err != nil || want.About == "" {
				t.Fatalf("want.json: %v, about %q", err, want.About)
			}
			stream := readHexFile(t, file)
			got := want
			got.Frames = nil
			frames := run(mustLoad(t, want.Profile), one(stream))
			whole(t, one(stream), frames)
			for _, f := range frames {
				got.Frames = append(got.Frames, fieldFrameOf(f))
			}
			compareField(t, filepath.Join(dir, "want.json"), text, got)
		})
	}
}

func compareField(t *testing.T, file string, want []byte, got fieldWant) {
	t.Helper()
	b, err := json.MarshalIndent(got, "", "  ")
	if err != nil {
		t.Fatal(err)
	}
	b = append(b, '\n')
	if *update {
		if err := os.WriteFile(file, b, 0o644); err != nil {
			t.Fatal(err)
		}
	} else if diff := cmp.Diff(string(want), string(b)); diff != "" {
		t.Errorf("%s (-want +got):\n%s", file, diff)
	}
}

func fieldFrameOf(f Frame) fieldFrame {
	out := fieldFrame{Offset: f.Offset, Length: len(f.Bytes), Refused: f.Reason}
	r := f.Reading
	if r == nil {
		return out
	}
	out.Kind, out.Text, out.Unit, out.Value, out.Status, out.Good = r.Kind, r.Text, r.Unit.Code(), r.Value, r.Status, r.Good
	if !r.Travel.IsZero() {
		out.Travel = r.Travel
	}
	out.Without = r.NoTravel
	if r.Counter != nil {
		out.Counter = fmt.Sprint(*r.Counter)
	}
	if r.FrameNumber != nil {
		out.Frame = fmt.Sprint(*r.FrameNumber)
	}
	return out
}

// readHexFile reads bytes as hexadecimal pairs; '#' begins a remark.
func readHexFile(tb testing.TB, file string) []byte {
	tb.Helper()
	text, err := os.ReadFile(file)
	if err != nil {
		tb.Fatal(err)
	}
	var digits strings.Builder
	for line := range strings.Lines(string(text)) {
		line, _, _ = strings.Cut(line, "#")
		digits.WriteString(line + " ")
	}
	return hexOf(tb, digits.String())
}
