package profile

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path"
	"regexp"
	"strings"
	"time"

	"go.yaml.in/yaml/v3"

	"witnessmark/events/settle"
	"witnessmark/ingest/profiles"
)

// mostText bounds a profile file; real ones have some 2 kB.
const mostText = 64 << 10

// Shipped returns the names of the profiles that ship with Witnessmark, in
// order.
func Shipped() []string {
	files, _ := fs.Glob(profiles.Files, "*.yaml") // the pattern is good
	for i, f := range files {
		files[i] = strings.TrimSuffix(f, ".yaml")
	}
	return files
}

// Open returns a shipped profile by its name, or else the profile in a file
// of that name.
func Open(nameOrFile string) (*Profile, error) {
	text, err := profiles.Files.ReadFile(nameOrFile + ".yaml")
	if err == nil {
		return Load(nameOrFile+".yaml", text)
	}
	text, err = readSmall(nameOrFile)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("open profile %q: no shipped profile and no file has that name; the shipped ones are %s", nameOrFile, strings.Join(Shipped(), ", "))
	}
	if err != nil {
		return nil, fmt.Errorf("open profile: %w", err)
	}
	return Load(nameOrFile, text)
}

func readSmall(file string) ([]byte, error) {
	f, err := os.Open(file)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return io.ReadAll(io.LimitReader(f, mostText+1))
}

// Load reads a profile from the text of a file; name is the file's and serves
// to say where a problem is. Unknown keys are errors. The error is Problems,
// with line, column and what would be right.
func Load(name string, text []byte) (*Profile, error) {
	r := &reader{file: path.Base(strings.ReplaceAll(name, "\\", "/"))}
	root, err := r.root(text)
	if err != nil {
		return nil, err
	}
	sum := sha256.Sum256(text)
	p := &Profile{hash: hex.EncodeToString(sum[:])[:12]}
	p.read(root)
	if len(r.problems) > 0 {
		r.problems.sort()
		return nil, r.problems
	}
	return p, nil
}

// root parses the text into a tree without aliases.
func (r *reader) root(text []byte) (node, error) {
	top := node{r: r}
	var doc, more yaml.Node
	dec := yaml.NewDecoder(bytes.NewReader(text))
	err := dec.Decode(&doc)
	switch {
	case len(text) > mostText:
		top.wrong("a profile has some 2 kB; is this the right file?", "the file has more than %d bytes", mostText)
	case errors.Is(err, io.EOF):
		top.wrong("see the shipped profiles for what to write", "the file is empty")
	case err != nil:
		top.y = &yaml.Node{Line: yamlLine(err), Column: 1}
		top.wrong("see the shipped profiles for the form of a file", "it is no YAML: %s", strings.TrimPrefix(err.Error(), "yaml: "))
	case !errors.Is(dec.Decode(&more), io.EOF):
		top.wrong("put each profile into a file of its own", "the file has more than one document")
	default:
		return node{r, doc.Content[0], ""}, nil
	}
	return node{}, r.problems
}

var yamlLineForm = regexp.MustCompile(`line (\d+)`)

func yamlLine(err error) int {
	line := 1
	if m := yamlLineForm.FindStringSubmatch(err.Error()); m != nil {
		fmt.Sscan(m[1], &line)
	}
	return line
}

var nameForm = regexp.MustCompile(`^[a-z0-9][a-z0-9-]{0,39}$`)

// read fills p from the file's top level.
func (p *Profile) read(root node) {
	k := root.keys("profile!", "about", "reads!", "line!", "framing!", "checksum!", "decode!", "value!", "units",
		"signs", "status", "kinds", "counter", "angle", "duration", "trace", "acquire!", "answer", "resends", "settle", "stroke", "travel")
	p.name = k["profile"].text()
	if k["profile"].ok() && !nameForm.MatchString(p.name) {
		k["profile"].wrong("write up to 40 lower-case letters, digits and '-', such as orrin-k2", "name %q cannot be used", p.name)
	}
	p.about = k["about"].text()
	p.meaning.kind = Kind(k["reads"].word(string(Peak), string(Peak), string(Sample)))
	p.readLine(k["line"])
	p.readFraming(k["framing"])
	p.readChecksum(k["checksum"])
	p.readForm(k["decode"])
	p.readMeaning(k)
	p.readTrace(k["trace"], k["decode"])
	p.readAcquire(k["acquire"])
	p.readAnswer(k["answer"])
	p.resends = k["resends"].truth()
	if p.resends && (p.meaning.modulus == 0 || p.meaning.countsFrames) {
		k["resends"].wrong("add a counter of readings, or leave resends out", "without a counter of readings a repeat cannot be told from a second reading")
	}
	p.readSettle(k["settle"])
	p.readStroke(k["stroke"])
	if k["travel"].ok() && !k["stroke"].ok() {
		k["travel"].wrong("add stroke, or leave travel out", "the travel of a ram belongs to a press gauge that sends samples")
	}
	if k["stroke"].ok() {
		if k["settle"].ok() || !p.samples() {
			k["stroke"].wrong("give stroke to a press gauge that sends samples, in place of settle", "stroke and the kind of the readings do not go together")
		}
	} else if k["settle"].ok() != p.samples() {
		at := k["settle"]
		if !at.ok() {
			at = k["reads"]
		}
		at.wrong("give settle where, and only where, the tool sends samples", "settle and the kind of the readings do not go together")
	}
}

func (p *Profile) samples() bool {
	for _, k := range p.meaning.kinds {
		if k == Sample {
			return true
		}
	}
	return p.meaning.kind == Sample
}

func (p *Profile) readLine(n node) {
	k := n.keys("baud!", "data_bits", "parity", "stop_bits", "flow")
	p.line = Line{
		Baud:     k["baud"].whole(9600, 50, 4_000_000),
		DataBits: k["data_bits"].whole(8, 5, 8),
		Parity:   Parity(k["parity"].word(string(ParityNone), string(ParityNone), string(ParityOdd), string(ParityEven), string(ParityMark), string(ParitySpace))),
		StopBits: k["stop_bits"].word("1", "1", "1.5", "2"),
		Flow:     Flow(k["flow"].word(string(FlowNone), string(FlowNone), string(FlowRTS), string(FlowXON))),
	}
}

// mostFrame is the greatest length of a frame. It bounds the work for noise,
// which grows with its square where frames have no mark at the beginning.
const mostFrame = 1024

// cutAfter is the silence after which a half frame is a cut one, if the
// profile does not say it: far more than any driver holds bytes back.
const cutAfter = 2 * time.Second

func (p *Profile) readFraming(n node) {
	f := &p.framing
	kinds := []string{string(frameLine), string(frameSTX), string(frameFixed), string(frameIdle), string(frameCount)}
	f.quiet, f.max = cutAfter, 1
	if !n.ok() || n.y.Kind != yaml.MappingNode {
		n.keys("kind!")
		return
	}
	var kind node
	for k, v := range n.pairs() {
		if k.y.Value == "kind" {
			kind = v
		}
	}
	if !kind.ok() {
		n.wrong("add kind: "+strings.Join(kinds, ", "), "kind is missing")
		return
	}
	f.kind = framingKind(kind.word("", kinds...))
	switch f.kind {
	case frameLine:
		k := n.keys("kind", "start", "end!", "max!", "quiet")
		f.start, f.end = k["start"].bytes(8), k["end"].bytes(8)
		f.max = k["max"].whole(1, 1+len(f.start)+len(f.end), mostFrame)
		f.readQuiet(k["quiet"])
		if k["end"].ok() && len(f.end) == 0 {
			k["end"].wrong(`write the bytes that end a line, such as "\r\n"`, "a line has no end")
		}
	case frameSTX:
		k := n.keys("kind", "start", "end", "tail", "max!", "quiet")
		f.start, f.end = oneByte(k["start"], 0x02), oneByte(k["end"], 0x03)
		f.tail = k["tail"].whole(0, 0, 8)
		f.max = k["max"].whole(1, 3+f.tail, mostFrame)
		f.readQuiet(k["quiet"])
	case frameFixed:
		k := n.keys("kind", "sync", "length!", "quiet")
		f.start = k["sync"].bytes(8)
		f.max = k["length"].whole(1, 1+len(f.start), mostFrame)
		f.readQuiet(k["quiet"])
	case frameIdle:
		k := n.keys("kind", "gap!", "max!")
		f.quiet = k["gap"].duration(cutAfter, time.Millisecond, time.Minute)
		f.max = k["max"].whole(1, 1, mostFrame)
	case frameCount:
		k := n.keys("kind", "sync!", "length_at!", "length_type!", "length_add!", "max!", "quiet")
		f.start = k["sync"].bytes(8)
		if k["sync"].ok() && len(f.start) == 0 {
			k["sync"].wrong(`write the bytes that begin a frame, such as "\xA5"`, "a frame that says how long it is needs a mark")
		}
		f.lengthAt = k["length_at"].whole(1, len(f.start), 64)
		f.lengthType = fieldType(k["length_type"].word(string(typeU8), string(typeU8), string(typeU16BE), string(typeU16LE)))
		f.lengthAdd = k["length_add"].whole(0, 0, mostFrame)
		f.max = k["max"].whole(1, f.lengthAt+binaryTypes[f.lengthType], mostFrame)
		f.readQuiet(k["quiet"])
	}
}

func (f *framing) readQuiet(n node) {
	f.quiet = n.duration(cutAfter, 10*time.Millisecond, time.Minute)
}

func oneByte(n node, fallback byte) []byte {
	if !n.ok() {
		return []byte{fallback}
	}
	b := n.bytes(8)
	if len(b) != 1 {
		n.wrong(`write one byte, such as "\x02"`, "it has %d bytes", len(b))
		return []byte{fallback}
	}
	return b
}

func (p *Profile) readChecksum(n node) {
	c := &p.sum
	k := n.keys("kind!", "from", "to", "at", "form", "order")
	c.kind = sumKind(k["kind"].word(string(sumNone), string(sumNone), string(sum8), string(sumXor8), string(sumModbus)))
	if c.kind == sumNone {
		for _, name := range []string{"from", "to", "at", "form", "order"} {
			if k[name].ok() {
				k[name].wrong("leave it out, or name the checksum", "there is no checksum")
			}
		}
		return
	}
	for _, name := range []string{"from", "to", "at", "form"} {
		if !k[name].ok() {
			n.wrong("add "+name+"; offsets count from the frame's first byte, below zero back from behind its last", "%s is missing", name)
		}
	}
	c.from = k["from"].whole(0, -mostFrame, mostFrame)
	c.to = k["to"].whole(0, -mostFrame, mostFrame)
	c.at = k["at"].whole(0, -mostFrame, mostFrame)
	c.form = sumForm(k["form"].word(string(formBinary), string(formBinary), string(formHexUpper), string(formHexLower), string(formHexAny)))
	c.little = k["order"].word("big", "big", "little") == "little"
	if c.at < 0 && c.at+c.size() > 0 {
		k["at"].wrong(fmt.Sprintf("write %d or less", -c.size()), "the checksum would end behind the frame")
	}
}

func (p *Profile) readAcquire(n node) {
	a := &p.acquire
	k := n.keys("by!", "ask", "every", "timeout", "start", "stop", "rate")
	a.By = By(k["by"].word(string(Push), string(Push), string(Poll), string(Stream)))
	a.Timeout = k["timeout"].duration(time.Second, time.Millisecond, time.Hour)
	a.Every = k["every"].duration(time.Second, time.Millisecond, time.Hour)
	a.Ask, a.Start, a.Stop = k["ask"].bytes(64), k["start"].bytes(64), k["stop"].bytes(64)
	a.Rate = k["rate"].whole(0, 1, 100_000)
	need := map[By][]string{Push: {}, Poll: {"ask", "every"}, Stream: {"start"}}[a.By]
	may := map[By]string{Push: "", Poll: "ask every timeout", Stream: "start stop rate timeout"}[a.By]
	for _, name := range need {
		if n.ok() && !k[name].ok() {
			n.wrong("add "+name, "%s is missing: a tool that is read by %s needs it", name, a.By)
		}
	}
	for _, name := range []string{"ask", "every", "timeout", "start", "stop", "rate"} {
		if k[name].ok() && !strings.Contains(may, name) {
			k[name].wrong("leave it out", "%s has no meaning for a tool that is read by %s", name, a.By)
		}
	}
	switch a.By {
	case Push:
		*a = Acquire{By: Push}
	case Stream:
		a.Every, a.Ask = 0, nil
	}
}

var answerForm = regexp.MustCompile(`\{[^{}]*\}`)
var counterForm = regexp.MustCompile(`^\{counter(?::0([1-9]|1[0-9]))?\}$`)

// readAnswer reads a template: bytes, and {counter} or {counter:06} for the
// counter in so many digits.
func (p *Profile) readAnswer(n node) {
	b := n.bytes(64)
	for len(b) > 0 {
		at := answerForm.FindIndex(b)
		if at == nil {
			p.answer = append(p.answer, piece{text: b})
			return
		}
		if at[0] > 0 {
			p.answer = append(p.answer, piece{text: b[:at[0]]})
		}
		m := counterForm.FindSubmatch(b[at[0]:at[1]])
		if m == nil || !p.form.has(partCounter) || p.meaning.countsFrames {
			n.wrong("write {counter} or, for six digits, {counter:06}, of a frame with a counter of readings", "%q cannot be filled in", b[at[0]:at[1]])
			return
		}
		w := piece{counter: true, width: 1}
		if len(m[1]) > 0 {
			fmt.Sscan(string(m[1]), &w.width)
		}
		p.answer = append(p.answer, w)
		b = b[at[1]:]
	}
}

func (p *Profile) readSettle(n node) {
	if !n.ok() {
		return
	}
	k := n.keys("window!", "band", "counts", "slope", "rearm!", "away", "rest", "max_gap", "samples")
	c := settle.Config{
		Window: k["window"].duration(0, time.Millisecond, time.Minute),
		Band:   k["band"].quantity(""), Counts: k["counts"].whole(0, 1, 1000),
		Slope: k["slope"].quantity("/s"), Rearm: k["rearm"].quantity(""),
		Away: k["away"].duration(0, 0, time.Minute), Rest: k["rest"].quantity(""),
		MaxGap: k["max_gap"].duration(0, time.Millisecond, time.Minute), Samples: k["samples"].whole(0, 2, 1000),
	}
	if err := c.Validate(); err != nil {
		what, want, _ := strings.Cut(strings.TrimPrefix(err.Error(), "check settle settings: "), "; ")
		n.wrong(want, "%s", what)
	} else if d := p.meaning.dimension(); c.Rearm.Dimension() != d {
		n.wrong("give it in a unit of "+d.String(), "settle is in a unit of %s, the tool's values are not", c.Rearm.Dimension())
	}
	p.settle = &c
}
