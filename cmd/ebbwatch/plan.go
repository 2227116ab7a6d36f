package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"time"

	"github.com/spf13/cobra"

	"ebbwatch/cmd/internal/config"
	"ebbwatch/cmd/internal/planning"
)

// planFlags are the flags of plan.
type planFlags struct {
	config, html, learned string
	asJSON, label, brief  bool
	winters               int
	seed                  uint64
}

func planCommand() *cobra.Command {
	var f planFlags
	cmd := &cobra.Command{
		Use:   "plan --config FILE",
		Short: "Will it survive January? Sizes, cables and radio path, before a shovel is lifted",
		Long: `plan lives through hundreds of winters with the panel, the battery and the loads of a
configuration, and says in one sentence what the kit carries. Sources need not be there yet.
Where the daemon has run already, what it learned of the node overrides the label.`,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return f.run(cmd.Context(), cmd.OutOrStdout(), cmd.ErrOrStderr())
		},
	}
	configFlag(cmd, &f.config)
	takesFile(cmd, &f.config)
	flags := cmd.Flags()
	flags.StringVar(&f.html, "html", "", "write one page with charts to this file, to look at and to print")
	flags.BoolVar(&f.asJSON, "json", false, "print everything as JSON")
	flags.StringVar(&f.learned, "learned", "", "state folder of the daemon that ran; that of the configuration when left out")
	flags.BoolVar(&f.label, "label", false, "leave out what the node learned")
	flags.BoolVar(&f.brief, "brief", false, "the verdict alone: no changes, sizes and doubts")
	flags.IntVar(&f.winters, "winters", 200, "years that are drawn")
	flags.Uint64Var(&f.seed, "seed", 1, "the same seed draws the same years")
	return cmd
}

func (f planFlags) run(ctx context.Context, stdout, stderr io.Writer) error {
	if f.winters < 20 || f.winters > 20000 {
		return fmt.Errorf("cannot plan: --winters %d is outside 20..20000", f.winters)
	}
	c, err := loadOrSay(stderr, f.config, config.Need{})
	if err != nil {
		return err
	}
	drawing, problems := planning.Decode(c.Config)
	for _, p := range problems {
		fmt.Fprintln(stderr, p)
	}
	if len(problems) > 0 {
		return fmt.Errorf("cannot use %s: %s", f.config, count(len(problems), "problem"))
	}
	show, done := planProgress(stderr, time.Now())
	report, err := planning.Make(ctx, c.Config, drawing, planning.Options{
		Winters: f.winters, Seed: f.seed, Learned: f.learned, Label: f.label, Brief: f.brief, Now: time.Now(), Progress: show,
	})
	done()
	if err != nil {
		return err
	}
	if f.html != "" {
		if err := writePage(f.html, report); err != nil {
			return err
		}
		fmt.Fprintf(stderr, "the page is in %s\n", f.html)
	}
	if !f.asJSON {
		return report.Text(stdout)
	}
	return printJSON(stdout, report)
}

func writePage(path string, r *planning.Report) (err error) {
	file, err := os.Create(path)
	if err != nil {
		return fmt.Errorf("cannot write the page: %w", err)
	}
	defer func() { err = errors.Join(err, file.Close()) }()
	return r.HTML(file)
}

// planProgress shows on a terminal what is done, once it takes more than two seconds.
func planProgress(w io.Writer, began time.Time) (show func(what string, done, of int), end func()) {
	if _, ok := onTerminal(w); !ok {
		return nil, func() {}
	}
	shown := false
	show = func(what string, done, of int) {
		if time.Since(began) > 2*time.Second {
			shown = true
			fmt.Fprintf(w, "\r%-24s %d of %d ", what, done, of)
		}
	}
	return show, func() {
		if shown {
			fmt.Fprintf(w, "\r%40s\r", "")
		}
	}
}
