package main

import (
	"cmp"
	_ "embed" // the format's page and the output's schema are part of the program
	"errors"
	"fmt"
	"io"
	"os"

	"github.com/spf13/cobra"
)

//go:embed stream-format.md
var streamFormat string

//go:embed judge.schema.json
var judgeSchema string

func newJudge() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "judge --procedure FILE --stream FILE [--earlier FILE]...",
		Short: "Judge a file of readings by the rules: every claim, every alert, and the pull that triggered it",
		Long: `Runs the rules over a file of readings, without a service, a store or a port, and
writes no file. For each fastener it says witnessed, missed, low, high or
doubtful, with the grade of the evidence and the probability that it is tight;
for each alert the pull that triggered it; for each pull what it probably was.

The stream is JSON Lines: first the tools and the job, then the readings in
order of receipt, then that release was asked for. 'witnessmark judge --format'
describes every field. Pulls are numbered from 1 in the order of the stream.

Once a joint has been seen in some jobs, the rules know how its fasteners turn
and how long they take, and see more. --earlier FILE names the stream of an
earlier job of the same procedure, or a directory of them (its *.jsonl in the
order of their names); give it as often as there are any, oldest first. They
are judged first, each as a job of its own, and what they taught is printed.
Only a job that its stream lets be released teaches anything, as in the shop.

Steps of which the stream does not speak (attested work, parts, measurements)
are left out, which the output says; --strict-steps keeps them.

Exit status: 0 judged, whatever the claims are; 1 some lines could not be
judged, the rest was; 2 the procedure, the first record or the command line is
wrong, and nothing was judged.`,
		Example: `  witnessmark judge --procedure ra-210.yaml --stream monday.jsonl
  witnessmark judge --procedure ra-210.yaml --stream - --json < monday.jsonl
  witnessmark judge --procedure ra-210.yaml --earlier last-week/ --earlier sunday.jsonl --stream monday.jsonl
  witnessmark judge --format
  witnessmark judge --schema > judge.schema.json`,
		Args: cobra.NoArgs,
		RunE: judge,
	}
	f := cmd.Flags()
	f.String("procedure", "", "procedure file (YAML)")
	f.String("stream", "", "file of readings (JSON Lines); - reads standard input")
	f.StringArray("earlier", nil, "stream of an earlier job of this procedure, or a directory of them, to be learned from first; may be repeated")
	f.Bool("json", false, "print the judgement as JSON")
	f.Bool("strict-steps", false, "keep the steps of which the stream does not speak: they stay open")
	f.Bool("format", false, "print the description of the stream's format and of the output")
	f.Bool("schema", false, "print the JSON Schema of the output")
	return cmd
}

func judge(c *cobra.Command, _ []string) error {
	f := c.Flags()
	out := c.OutOrStdout()
	if yes, _ := f.GetBool("format"); yes {
		_, err := io.WriteString(out, streamFormat)
		return err
	}
	if yes, _ := f.GetBool("schema"); yes {
		_, err := io.WriteString(out, judgeSchema)
		return err
	}
	procFile, _ := f.GetString("procedure")
	streamFile, _ := f.GetString("stream")
	if procFile == "" || streamFile == "" {
		return usageError("say what to judge: --procedure FILE and --stream FILE\nsee '%s --help'", c.CommandPath())
	}
	strict, _ := f.GetBool("strict-steps")
	earlier, _ := f.GetStringArray("earlier")
	j, err := judgeFiles(c, procFile, streamFile, earlier, strict)
	if err != nil {
		return exitCode{2, fmt.Errorf("%w\nnothing was judged", err)}
	}
	write := j.writeText
	if yes, _ := f.GetBool("json"); yes {
		write = j.writeJSON
	}
	if err := write(out); err != nil {
		return err
	}
	if len(j.Problems) > 0 {
		return exitCode{1, j.unjudged(streamFile)}
	}
	return nil
}

// judgeFiles reads the files and judges, the earlier jobs first.
func judgeFiles(c *cobra.Command, procFile, streamFile string, earlier []string, strict bool) (*judgement, error) {
	proc, err := openProcText(procFile)
	if err != nil {
		return nil, err
	}
	in, own := c.InOrStdin(), os.FileInfo(nil)
	if streamFile != "-" {
		file, err := os.Open(streamFile)
		if err != nil {
			return nil, fmt.Errorf("read stream: %w", err)
		}
		defer file.Close()
		if own, err = file.Stat(); err != nil {
			return nil, fmt.Errorf("read stream: %w", err)
		}
		in = file
	}
	s, err := loadStream(c.Context(), in)
	if err != nil {
		return nil, atLine(streamFile, err)
	}
	before, err := learnEarlier(c.Context(), proc, earlier, own, s, strict)
	if err != nil {
		return nil, err
	}
	j, err := judgeStream(c.Context(), proc, s, streamOptions{State: before.state, StrictSteps: strict})
	if err != nil {
		return nil, atLine(streamFile, err)
	}
	before.tell(j)
	return j, nil
}

// atLine puts the file before an error that names a line of it.
func atLine(file string, err error) error {
	var note lineNote
	if errors.As(err, &note) {
		return fmt.Errorf("%s:%w", file, err)
	}
	return err
}

// unjudged says which lines were not judged.
func (j *judgement) unjudged(file string) error {
	err := errProblems
	for i, p := range j.Problems {
		if i == 20 {
			return fmt.Errorf("%w\n  and %d more", err, len(j.Problems)-i)
		}
		err = fmt.Errorf("%w\n  %s:%s", err, cmp.Or(p.File, file), p)
	}
	return err
}
