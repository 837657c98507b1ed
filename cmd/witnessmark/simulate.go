package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"golang.org/x/sync/errgroup"

	"witnessmark/events"
	"witnessmark/events/quantity"
	"witnessmark/rules/procedure"
	"witnessmark/rules/procedure/demo"
	"witnessmark/simulator"
)

func newSimulate() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "simulate",
		Short: "Emulate tools on pseudo-terminals, or write a stream with known faults",
		Args:  cobra.NoArgs,
		RunE:  func(c *cobra.Command, _ []string) error { return c.Help() },
	}
	cmd.AddCommand(newSimulateTools(), newSimulateStream())
	return cmd
}

func newSimulateTools() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "tools",
		Short: "Emulate the tools of a shop file on pseudo-terminals, pulled by what you type",
		Long: `Emulates each tool of a shop file on a pseudo-terminal and writes a copy of the
shop file that names these ports, for 'witnessmark serve' in another window.
Then reads what to do, a line each, from standard input:

  pull TOOL TORQUE     pull k2-07 45 N·m
  measure TOOL LENGTH  measure d3-01 0.12 mm
  unit TOOL UNIT       unit s5-02 N·m
  unplug TOOL          the cable comes out
  plug TOOL            and goes in again`,
		Example: "  witnessmark simulate tools --dir sim\n  witnessmark serve --shop sim/shop.yaml --data sim/data",
		Args:    cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			dir, _ := c.Flags().GetString("dir")
			seed, _ := c.Flags().GetUint64("seed")
			text := exampleShop
			name := "shop.example.yaml"
			if f, _ := c.Flags().GetString("from"); f != "" {
				var err error
				if text, err = os.ReadFile(f); err != nil {
					return fmt.Errorf("read shop file: %w", err)
				}
				name = f
			}
			return simulateTools(c, name, text, dir, seed)
		},
	}
	cmd.Flags().String("dir", "simulated", "directory for the links to the ports and the shop file")
	cmd.Flags().String("from", "", "shop file; default: the invented shop's")
	cmd.Flags().Uint64("seed", 1, "decides the tools' noise")
	return cmd
}

func simulateTools(c *cobra.Command, name string, text []byte, dir string, seed uint64) error {
	shop, err := parseShop(name, text)
	if err != nil {
		return err
	}
	specs, err := toolSpecs(shop, map[string]quantity.Unit{})
	if err != nil {
		return err
	}
	dir, err = filepath.Abs(dir)
	if err != nil {
		return err
	}
	clock := simulator.WallClock(1)
	rig, err := simulator.OpenRig(simulator.RigConfig{Dir: filepath.Join(dir, "lines"), Tools: specs, Seed: seed, Clock: clock})
	if err != nil {
		return err
	}
	defer rig.Close()
	for i, d := range shop.Devices {
		shop.Devices[i].Port, shop.Devices[i].USBVendor, shop.Devices[i].USBProduct, shop.Devices[i].USBSerial = rig.Path(d.Tool), "", "", ""
	}
	file := filepath.Join(dir, "shop.yaml")
	if err := os.WriteFile(file, []byte(withPorts(string(text), shop)), 0o644); err != nil {
		return fmt.Errorf("write shop file: %w", err)
	}
	fmt.Fprintf(c.ErrOrStderr(), "emulated tools (invented):\n")
	for _, d := range shop.Devices {
		fmt.Fprintf(c.ErrOrStderr(), "  %-8s %-10s %s\n", d.Tool, d.Profile, d.Port)
	}
	fmt.Fprintf(c.ErrOrStderr(), "now: witnessmark serve --shop %s\ntype what to do, such as: pull %s 45 N·m\n", file, shop.Devices[0].Tool)
	ctx, cancel := context.WithCancel(c.Context())
	defer cancel()
	g, ctx := errgroup.WithContext(ctx)
	g.Go(func() error { return rig.Run(ctx) })
	g.Go(func() error {
		defer cancel()
		return obey(ctx, c.InOrStdin(), c.ErrOrStderr(), rig.Tools())
	})
	return ignoreCancel(g.Wait())
}

// withPorts replaces the device list of a shop file by one that names ports.
func withPorts(text string, shop events.Shop) string {
	head, _, _ := strings.Cut(text, "\ndevices:")
	var b strings.Builder
	b.WriteString(head)
	b.WriteString("\ndevices:\n")
	for _, d := range shop.Devices {
		fmt.Fprintf(&b, "  - {id: %s, tool: %s, bench: %s, profile: %s, port: %q}\n", d.ID, d.Tool, d.Bench, d.Profile, d.Port)
	}
	return b.String()
}

// obey carries out lines until the input or ctx ends.
func obey(ctx context.Context, in io.Reader, out io.Writer, tools map[string]simulator.Tool) error {
	lines := make(chan string)
	go func() { // ends with the process if the input never does
		defer close(lines)
		for s := bufio.NewScanner(in); s.Scan(); {
			select {
			case lines <- s.Text():
			case <-ctx.Done():
				return
			}
		}
	}()
	for {
		select {
		case <-ctx.Done():
			return nil
		case line, ok := <-lines:
			if !ok {
				<-ctx.Done() // the tools stay until they are stopped
				return nil
			}
			if strings.TrimSpace(line) == "" {
				continue
			}
			said, err := obeyLine(ctx, line, tools)
			if err != nil {
				said = err.Error()
			}
			fmt.Fprintln(out, said)
		}
	}
}

func obeyLine(ctx context.Context, line string, tools map[string]simulator.Tool) (string, error) {
	words := strings.Fields(line)
	if len(words) < 2 {
		return "", errors.New("want: pull, measure, unit, unplug or plug, then a tool")
	}
	tool := tools[words[1]]
	if tool == nil {
		return "", fmt.Errorf("no tool %q", words[1])
	}
	rest := strings.Join(words[2:], " ")
	switch words[0] {
	case "pull":
		t, _, err := quantity.ParseTorque(rest)
		if err != nil {
			return "", err
		}
		sent, err := tool.Pull(ctx, simulator.Pull{Peak: t, Angle: quantity.Degrees(24), Duration: 700 * time.Millisecond}, simulator.Wire{})
		return fmt.Sprintf("%s sent %s %s", words[1], sent.Text, sent.Unit.Symbol()), err
	case "measure":
		l, _, err := quantity.ParseLength(rest)
		if err != nil {
			return "", err
		}
		sent, err := tool.Measure(ctx, l, simulator.Wire{})
		return fmt.Sprintf("%s sent %s %s", words[1], sent.Text, sent.Unit.Symbol()), err
	case "unit":
		u, err := quantity.ParseUnit(rest)
		if err != nil {
			return "", err
		}
		return words[1] + " is set to " + u.Symbol(), tool.SetUnit(u)
	case "unplug", "plug":
		return words[1] + ": " + words[0] + "ged", tool.Plug(words[0] == "plug")
	}
	return "", fmt.Errorf("unknown verb %q: want pull, measure, unit, unplug or plug", words[0])
}

func newSimulateStream() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "stream",
		Short: "Write what the tools would send in a job with known faults: bytes, readings, truth",
		Long: `Performs a job without lines and clock and writes, into a directory, the bytes of
each tool, the readings as JSON Lines, and the truth: what was tightened, which
faults were made, which alerts must and may be raised. The same seed gives the
same stream on every machine. All of it is invented.

Faults: missed_bolt, double_pull, low, low_left, high, wrong_order, wrong_unit,
wrong_tool, unplugged_cable, garbled_frame, noisy_line, resent_frame. Each is
named with its step: missed_bolt@cover.`,
		Example: "  witnessmark simulate stream --fault missed_bolt@cover --seed 7 --out stream-7\n  witnessmark simulate stream --procedure mine.yaml --out stream",
		Args:    cobra.NoArgs,
		RunE:    func(c *cobra.Command, _ []string) error { return simulateStream(c) },
	}
	cmd.Flags().String("procedure", "", "procedure file; default: the invented RA-210")
	cmd.Flags().StringArray("fault", nil, "KIND@STEP, may be given several times")
	cmd.Flags().Uint64("seed", 1, "decides every pull")
	cmd.Flags().String("out", "", "directory to write into")
	_ = cmd.MarkFlagRequired("out") // the flag is there
	return cmd
}

func simulateStream(c *cobra.Command) error {
	proc, err := streamProcedure(flag(c, "procedure"))
	if err != nil {
		return err
	}
	shop, err := parseShop("shop.example.yaml", exampleShop)
	if err != nil {
		return err
	}
	bench := demoBenches[0].bench
	if proc.ID == demoBenches[1].procedure {
		bench = demoBenches[1].bench
	}
	steps, err := planSteps(proc, benchTools(shop, bench))
	if err != nil {
		return err
	}
	specs, err := toolSpecs(shop, map[string]quantity.Unit{bench: torqueUnit(proc)})
	if err != nil {
		return err
	}
	faults, err := parseFaults(c, shop)
	if err != nil {
		return err
	}
	seed, _ := c.Flags().GetUint64("seed")
	script, err := simulator.Build(simulator.Plan{
		Seed: seed, Start: time.Date(2026, 1, 5, 8, 0, 0, 0, time.UTC), Tools: specs,
		Jobs: []simulator.Job{{ID: "j-1", UnitSerial: "SN-1", Procedure: proc.ID, Revision: proc.Revision, Bench: bench,
			Technician: "ines", Lead: demoLead, Steps: steps, Faults: faults}},
	})
	if err != nil {
		return usageError("%v", err)
	}
	rec, err := script.Record()
	if err != nil {
		return err
	}
	out := flag(c, "out")
	if err := rec.WriteDir(out); err != nil {
		return err
	}
	_, err = fmt.Fprintf(c.OutOrStdout(), "wrote %d readings of %s revision %s into %s\n", len(rec.Readings), proc.ID, proc.Revision, out)
	return err
}

func streamProcedure(file string) (*procedure.Procedure, error) {
	name, text := "RA-210.yaml", ""
	if file == "" {
		f, _ := demo.ByID("RA-210")
		text = f.Text
	} else {
		b, err := os.ReadFile(file)
		if err != nil {
			return nil, fmt.Errorf("read procedure: %w", err)
		}
		name, text = file, string(b)
	}
	p, problems := procedure.Parse(name, []byte(text))
	return p, problems.Err()
}

func parseFaults(c *cobra.Command, shop events.Shop) ([]simulator.Fault, error) {
	args, _ := c.Flags().GetStringArray("fault")
	var faults []simulator.Fault
	for _, a := range args {
		kind, step, ok := strings.Cut(a, "@")
		if !ok {
			return nil, usageError("--fault %q: want KIND@STEP, such as missed_bolt@cover", a)
		}
		f := simulator.Fault{Kind: simulator.FaultKind(kind), Step: step, Pass: -1}
		if f.Kind == simulator.WrongTool {
			f.Tool = shop.Tools[1].ID
		}
		faults = append(faults, f)
	}
	return faults, nil
}
