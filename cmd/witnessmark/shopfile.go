package main

import (
	"bytes"
	_ "embed"
	"errors"
	"fmt"
	"io"
	"os"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"go.yaml.in/yaml/v3"

	"witnessmark/events"
	"witnessmark/events/quantity"
)

//go:embed shop.example.yaml
var exampleShop []byte

// shopFile is the form of the shop file; see shop.example.yaml.
type shopFile struct {
	Shop  string `yaml:"shop"`
	Name  string `yaml:"name"`
	Units struct {
		Torque string `yaml:"torque"`
		Length string `yaml:"length"`
	} `yaml:"units"`
	Benches []events.Bench  `yaml:"benches"`
	People  []events.Person `yaml:"people"`
	Tools   []struct {
		ID             string    `yaml:"id"`
		Name           string    `yaml:"name"`
		Kind           string    `yaml:"kind"`
		Serial         string    `yaml:"serial"`
		Range          yaml.Node `yaml:"range"`
		Uncertainty    yaml.Node `yaml:"uncertainty"`
		Calibrated     yaml.Node `yaml:"calibrated"`
		Due            yaml.Node `yaml:"due"`
		Reports        yaml.Node `yaml:"reports"`
		registerFields `yaml:",inline"`
	} `yaml:"tools"`
	Devices []struct {
		ID      string `yaml:"id"`
		Tool    string `yaml:"tool"`
		Bench   string `yaml:"bench"`
		Profile string `yaml:"profile"`
		Box     string `yaml:"box"`
		Port    string `yaml:"port"`
		USB     struct {
			Vendor  string `yaml:"vendor"`
			Product string `yaml:"product"`
			Serial  string `yaml:"serial"`
		} `yaml:"usb"`
	} `yaml:"devices"`
	Shims []shimDrawerFile `yaml:"shims"`
	Boxes []events.Box     `yaml:"boxes"`
	// Retention is how long captures are kept; see 'witnessmark retention'.
	Retention retentionFile `yaml:"retention"`
}

// readShop reads a shop file and checks what can be checked without the
// rules. Errors name file and line.
func readShop(name string) (events.Shop, error) {
	text, err := os.ReadFile(name)
	if errors.Is(err, os.ErrNotExist) {
		return events.Shop{}, fmt.Errorf("read shop file %s: there is none; 'witnessmark shop example > %s' makes one to change into your own", name, name)
	}
	if err != nil {
		return events.Shop{}, fmt.Errorf("read shop file: %w", err)
	}
	return parseShop(name, text)
}

func parseShop(name string, text []byte) (events.Shop, error) {
	var f shopFile
	dec := yaml.NewDecoder(bytes.NewReader(text))
	dec.KnownFields(true)
	if err := dec.Decode(&f); err != nil {
		if errors.Is(err, io.EOF) {
			return events.Shop{}, fmt.Errorf("read shop file %s: it is empty; see 'witnessmark shop example'", name)
		}
		return events.Shop{}, fmt.Errorf("read shop file %s: %w", name, err)
	}
	s := events.Shop{ID: f.Shop, Name: f.Name, Benches: f.Benches, People: f.People, Boxes: f.Boxes}
	var errs []error
	bad := func(format string, args ...any) {
		errs = append(errs, fmt.Errorf("%s: "+format, append([]any{name}, args...)...))
	}

	unsaid := map[string]bool{} // tools of which the file does not say what they report
	checkID := shopIDs(bad)
	checkID("shop", f.Shop)
	if f.Name == "" {
		bad("name is empty: want the shop's name")
	}
	s.Torque = unitCode(f.Units.Torque, "N·m", quantity.DimTorque, bad)
	s.Length = unitCode(f.Units.Length, "mm", quantity.DimLength, bad)
	for _, b := range f.Benches {
		checkID("bench", b.ID)
	}
	for _, b := range f.Boxes {
		checkID("bench box", b.ID)
	}
	for _, p := range f.People {
		checkID("person", p.ID)
		if !p.Role.Known() {
			bad("person %q has role %q: want technician, lead, metrology, owner or auditor", p.ID, p.Role)
		}
	}
	checkBadges(f.People, bad)
	for _, t := range f.Tools {
		checkID("tool", t.ID)
		tool := events.Tool{ID: t.ID, Name: t.Name, Kind: events.ToolKind(t.Kind), Serial: t.Serial}
		var err error
		if tool.Least, tool.Most, err = parseRange(t.Range.Value); err != nil {
			bad("line %d: tool %q: %v", t.Range.Line, t.ID, err)
		}
		if tool.URel, tool.UAbs, err = parseUncertainty(t.Uncertainty.Value); err != nil {
			bad("line %d: tool %q: %v", t.Uncertainty.Line, t.ID, err)
		}
		if tool.Calibrated, err = parseDate(t.Calibrated.Value); err != nil {
			bad("line %d: tool %q: calibrated: %v", t.Calibrated.Line, t.ID, err)
		}
		if tool.Due, err = parseDate(t.Due.Value); err != nil {
			bad("line %d: tool %q: due: %v", t.Due.Line, t.ID, err)
		}
		reports := t.Reports
		if tool.Reports, err = parseReports(&reports, tool.Kind); err != nil {
			bad("line %d: tool %q: %v", t.Reports.Line, t.ID, err)
		}
		t.fill(&tool, t.ID, bad)
		unsaid[t.ID] = t.Reports.Kind == 0
		s.Tools = append(s.Tools, tool)
	}
	for _, d := range f.Devices {
		checkID("device", d.ID)
		if d.Port == "" && d.USB.Vendor == "" {
			bad("device %q has neither port nor usb: name a port, or the usb vendor and product; 'witnessmark doctor' lists what is plugged in", d.ID)
		}
		s.Devices = append(s.Devices, events.Device{ID: d.ID, Tool: d.Tool, Bench: d.Bench, Profile: d.Profile, Port: d.Port, Box: d.Box,
			USBVendor: d.USB.Vendor, USBProduct: d.USB.Product, USBSerial: d.USB.Serial})
	}
	s.Shims = shimDrawers(f.Shims, checkID, bad)
	f.Retention.check(bad)
	checkRefs(s, bad)
	checkSerials(s.Tools, bad)
	deriveReports(&s, unsaid)
	return s, errors.Join(errs...)
}

// checkBadges refuses a badge or short code that names two people.
func checkBadges(people []events.Person, bad func(string, ...any)) {
	seen := map[string]string{}
	for _, p := range people {
		for _, b := range []string{p.Badge, strings.ToLower(p.Code)} {
			switch who, twice := seen[b]; {
			case b == "":
			case strings.TrimSpace(b) != b:
				bad("person %q: the badge or code %q begins or ends with a space", p.ID, b)
			case twice && who != p.ID:
				bad("person %q has the badge or code %q, and so has %q: give each their own", p.ID, b, who)
			}
			seen[b] = p.ID
		}
	}
}

var idForm = regexp.MustCompile(`^[a-z0-9][a-z0-9-]{0,39}$`)

func shopIDs(bad func(string, ...any)) func(kind, id string) {
	seen := map[string]bool{}
	return func(kind, id string) {
		if !idForm.MatchString(id) {
			bad("%s id %q: want 1 to 40 lower-case letters, digits and '-'", kind, id)
		}
		if seen[kind+"/"+id] {
			bad("%s id %q is there twice: give each its own", kind, id)
		}
		seen[kind+"/"+id] = true
	}
}

func checkRefs(s events.Shop, bad func(string, ...any)) {
	tools, benches := map[string]bool{}, map[string]bool{}
	for _, t := range s.Tools {
		tools[t.ID] = true
	}
	for _, b := range s.Benches {
		benches[b.ID] = true
	}
	if len(s.Benches) == 0 {
		bad("no benches: name at least one")
	}
	for _, d := range s.Devices {
		if !tools[d.Tool] {
			bad("device %q: no tool %q in this file", d.ID, d.Tool)
		}
		if d.Box != "" && !slices.ContainsFunc(s.Boxes, func(b events.Box) bool { return b.ID == d.Box }) {
			bad("device %q: no bench box %q in this file; 'witnessmark bench-box enrol %s' says what to write", d.ID, d.Box, d.Box)
		}
		if !benches[d.Bench] {
			bad("device %q: no bench %q in this file", d.ID, d.Bench)
		}
	}
}

func unitCode(s, def string, dim quantity.Dimension, bad func(string, ...any)) string {
	if s == "" {
		s = def
	}
	u, err := quantity.ParseUnit(s)
	if err != nil {
		bad("units: %v", err)
		return ""
	}
	if u.Dimension() != dim {
		bad("units: %q is a unit of %s, want one of %s", s, u.Dimension(), dim)
	}
	return u.Code()
}

// parseRange reads "20 N·m to 200 N·m".
func parseRange(s string) (least, most quantity.Value, err error) {
	lo, hi, ok := strings.Cut(s, " to ")
	if !ok {
		return least, most, fmt.Errorf("range %q: want two values, such as 20 N·m to 200 N·m", s)
	}
	if least, _, err = quantity.Parse(lo); err != nil {
		return least, most, fmt.Errorf("range: %w", err)
	}
	if most, _, err = quantity.Parse(hi); err != nil {
		return least, most, fmt.Errorf("range: %w", err)
	}
	if least.Dimension() != most.Dimension() || !(least.Base() < most.Base()) {
		return least, most, fmt.Errorf("range %q: want the lower value first, and both of one kind", s)
	}
	return least, most, nil
}

// parseUncertainty reads "1.5 %", "0.003 mm" or both with " + " between: the
// expanded uncertainty of a reading (k = 2).
func parseUncertainty(s string) (rel float64, abs quantity.Value, err error) {
	if s == "" {
		return 0, abs, errors.New("no uncertainty: give the expanded uncertainty (k = 2) of its certificate, such as 1.5 % or 0.003 mm")
	}
	for part := range strings.SplitSeq(s, " + ") {
		if num, ok := strings.CutSuffix(strings.TrimSpace(part), "%"); ok {
			v, e := strconv.ParseFloat(strings.TrimSpace(num), 64)
			if e != nil || !(v >= 0 && v <= 50) {
				return 0, abs, fmt.Errorf("uncertainty %q: want a share between 0 %% and 50 %%", part)
			}
			rel = v / 100
			continue
		}
		if abs, _, err = quantity.Parse(part); err != nil {
			return 0, abs, fmt.Errorf("uncertainty: %w", err)
		}
	}
	return rel, abs, nil
}

func parseDate(s string) (string, error) {
	if _, err := time.Parse(time.DateOnly, s); err != nil {
		return "", fmt.Errorf("date %q: want YYYY-MM-DD", s)
	}
	return s, nil
}

func newShop() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "shop",
		Short: "Look after the shop file: benches, people, tools, devices",
		Long: `The shop file names benches, people, tools and the devices they talk through.
'serve' reads it at start; a change becomes an event in the journal.`,
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error { return c.Help() },
	}
	cmd.AddCommand(&cobra.Command{
		Use:   "example",
		Short: "Print a shop file to change into your own",
		Args:  cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			_, err := c.OutOrStdout().Write(exampleShop)
			return err
		},
	}, newShopAlerts(), newShopCheck())
	return cmd
}
