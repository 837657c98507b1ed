package main

import (
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
		Use:   "judge --procedure FILE --stream FILE",
		Short: "Judge a file of readings by the rules: every claim, every alert, and the pull that triggered it",
		Long: `Runs the rules over a file of readings, without a service, a store or a port, and
writes no file. For each fastener it says witnessed, missed, low, high or
doubtful, with the grade of the evidence and the probability that it is tight;
for each alert the pull that triggered it; for each pull what it probably was.

The stream is JSON Lines: first the tools and the job, then the readings in
order of receipt, then that release was asked for. 'witnessmark judge --format'
describes every field. Pulls are numbered from 1 in the order of the stream.

Steps of which the stream does not speak (attested work, parts, measurements)
are left out, which the output says; --strict-steps keeps them.

Exit status: 0 judged, whatever the claims are; 1 some lines could not be
judged, the rest was; 2 the procedure, the first record or the command line is
wrong, and nothing was judged.`,
		Example: `  witnessmark judge --procedure ra-210.yaml --stream monday.jsonl
  witnessmark judge --procedure ra-210.yaml --stream - --json < monday.jsonl
  witnessmark judge --format
  witnessmark judge --schema > judge.schema.json`,
		Args: cobra.NoArgs,
		RunE: judge,
	}
	f := cmd.Flags()
	f.String("procedure", "", "procedure file (YAML)")
	f.String("stream", "", "file of readings (JSON Lines); - reads standard input")
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
	j, err := judgeFiles(c, procFile, streamFile, streamOptions{StrictSteps: strict})
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

// judgeFiles reads both files and judges.
func judgeFiles(c *cobra.Command, procFile, streamFile string, opt streamOptions) (*judgement, error) {
	proc, err := openProcText(procFile)
	if err != nil {
		return nil, err
	}
	in := c.InOrStdin()
	if streamFile != "-" {
		file, err := os.Open(streamFile)
		if err != nil {
			return nil, fmt.Errorf("read stream: %w", err)
		}
		defer file.Close()
		in = file
	}
	j, err := runStream(c.Context(), proc, in, opt)
	var note lineNote
	if errors.As(err, &note) {
		return nil, fmt.Errorf("%s:%w", streamFile, err)
	}
	return j, err
}

// unjudged says which lines were not judged.
func (j *judgement) unjudged(file string) error {
	err := errProblems
	for i, p := range j.Problems {
		if i == 20 {
			return fmt.Errorf("%w\n  and %d more", err, len(j.Problems)-i)
		}
		err = fmt.Errorf("%w\n  %s:%s", err, file, p)
	}
	return err
}
