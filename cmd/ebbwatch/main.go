// Command ebbwatch watches a small solar-powered network node: it reads what the
// instruments say, counts the battery, looks ahead and warns while there is still time.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"strings"
	"syscall"
	_ "time/tzdata" // small boards often lack the time zones

	"github.com/spf13/cobra"

	"ebbwatch/deploy/handbook"
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	os.Exit(run(ctx, os.Args[1:], os.Stdout, os.Stderr))
}

// run is the whole program: it returns the exit code.
func run(ctx context.Context, args []string, stdout, stderr io.Writer) int {
	root := commands(stdout, stderr)
	root.SetArgs(args)
	understood := false
	tellWhenUnderstood(root, &understood)
	cmd, err := root.ExecuteContextC(ctx)
	var code exitCode
	var wrong misuse
	switch {
	case err == nil:
		return 0
	case errors.As(err, &code):
		return int(code)
	case !understood:
		err = misused("cannot understand the command line: %w; see: %s --help", err, cmd.CommandPath())
	}
	fmt.Fprintln(stderr, "ebbwatch:", err)
	if errors.As(err, &wrong) {
		return codeMisuse
	}
	return codeFailed
}

// tellWhenUnderstood notes when a command begins its own work: an error before that is about
// the command line.
func tellWhenUnderstood(cmd *cobra.Command, understood *bool) {
	if work := cmd.RunE; work != nil {
		cmd.RunE = func(cmd *cobra.Command, args []string) error {
			*understood = true
			return work(cmd, args)
		}
	}
	for _, below := range cmd.Commands() {
		tellWhenUnderstood(below, understood)
	}
}

// exitCode ends the program with a code after everything was said already.
type exitCode int

func (c exitCode) Error() string { return fmt.Sprintf("exit code %d", int(c)) }

func commands(stdout, stderr io.Writer) *cobra.Command {
	root := &cobra.Command{
		Use:   "ebbwatch",
		Short: "Watch a solar-powered network node and warn before it goes dark",
		Long: `ebbwatch reads the instruments of a solar-powered network node, counts its battery,
looks ten days ahead and warns while there is still time. It writes to no device.

See it at work with nothing to install:  ebbwatch demo

The handbook has a page a task, such as ebbwatch help first-hour:
  ` + strings.Join(handbook.Topics(), ", "),
		SilenceUsage:  true,
		SilenceErrors: true,
	}
	root.SetOut(stdout)
	root.SetErr(stderr)
	root.AddCommand(setupCommand(), runCommand(), checkCommand(), demoCommand(), replayCommand(), climateCommand(), backtestCommand(), surveyCommand(), planCommand(), silenceCommand(), acknowledgeCommand(), statusCommand(), historyCommand(), reportCommand(), watchCommand(), versionCommand(), manCommand())
	root.SetHelpCommand(helpCommand())
	strict(root)
	return root
}

// usualConfig is where the packages put the configuration.
const usualConfig = "/etc/ebbwatch/ebbwatch.yaml"

// configFlag adds the flag that names the configuration.
func configFlag(cmd *cobra.Command, into *string) {
	cmd.Flags().StringVar(into, "config", usualConfig, "configuration file (YAML)")
}
