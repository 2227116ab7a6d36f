package main

import (
	"errors"
	"fmt"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
)

// The exit codes. Where the state of a node is told they speak of it; see [status.Code].
const (
	codeFailed = 1  // what was asked for could not be done
	codeMisuse = 64 // what was asked for cannot be understood (EX_USAGE of sysexits.h)
)

// misuse is an error of who gave the command, and not of the machine or the node.
type misuse struct{ error }

// Unwrap gives the error itself.
func (m misuse) Unwrap() error { return m.error }

func misused(format string, args ...any) error { return misuse{fmt.Errorf(format, args...)} }

// strict makes a command and those below it refuse what they do not understand, and say what
// may have been meant.
func strict(cmd *cobra.Command) {
	cmd.SetFlagErrorFunc(explainFlag)
	below := cmd.Commands()
	switch {
	case len(below) > 0:
		cmd.Args, cmd.SuggestionsMinimumDistance = subcommand, 2
		cmd.RunE = func(cmd *cobra.Command, _ []string) error { return cmd.Help() }
		if cmd.HasParent() {
			cmd.RunE = func(cmd *cobra.Command, _ []string) error {
				return misused("cannot tell what to do with the %s: give one of %s", cmd.Name(), strings.Join(namesOf(cmd.Commands()), ", "))
			}
		}
	case cmd.Args == nil:
		cmd.Args = noArguments
	}
	for _, c := range below {
		strict(c)
	}
}

func namesOf(commands []*cobra.Command) (names []string) {
	for _, c := range commands {
		names = append(names, c.Name())
	}
	return names
}

// subcommand refuses a word that is none of the commands below.
func subcommand(cmd *cobra.Command, args []string) error {
	if len(args) == 0 {
		return nil
	}
	return fmt.Errorf("unknown command %q%s", args[0], meant(args[0], namesOf(cmd.Commands()), ""))
}

func noArguments(_ *cobra.Command, args []string) error {
	if len(args) == 0 {
		return nil
	}
	return fmt.Errorf("%q is one word too many", args[0])
}

// explainFlag says what is wrong with a flag in the words of who gave it.
func explainFlag(cmd *cobra.Command, err error) error {
	var unknown *pflag.NotExistError
	var value *pflag.InvalidValueError
	var none *pflag.ValueRequiredError
	switch {
	case errors.As(err, &unknown):
		var flags []string
		cmd.Flags().VisitAll(func(f *pflag.Flag) { flags = append(flags, f.Name) })
		name := unknown.GetSpecifiedName()
		return fmt.Errorf("there is no flag --%s%s", name, meant(name, flags, "--"))
	case errors.As(err, &value):
		return fmt.Errorf("--%s %q is not %s", value.GetFlag().Name, value.GetValue(), wanted(value.GetFlag()))
	case errors.As(err, &none):
		return fmt.Errorf("--%s needs %s after it", none.GetFlag().Name, wanted(none.GetFlag()))
	}
	return err
}

// wanted says what a flag takes.
func wanted(f *pflag.Flag) string {
	switch f.Value.Type() {
	case "duration":
		return "a time such as 90m or 36h"
	case "float64":
		return "a number"
	case "int":
		return "a whole number"
	case "bool":
		return "true or false"
	}
	return "a value"
}

// meant suggests the known word that is nearest to one that is not known.
func meant(word string, known []string, lead string) string {
	best, least := "", max(1, len(word)/3)+1
	for _, k := range known {
		if d := apartBy(word, k); d < least {
			best, least = k, d
		}
	}
	if best == "" {
		return ""
	}
	return fmt.Sprintf(": did you mean %s%s?", lead, best)
}

// apartBy counts the letters to put in, take out, change or swap between two words (the
// distance of Damerau and Levenshtein, neighbours swapped at most once).
func apartBy(a, b string) int {
	prior, last := make([]int, len(b)+1), make([]int, len(b)+1)
	for j := range last {
		last[j] = j
	}
	for i := 1; i <= len(a); i++ {
		row := make([]int, len(b)+1)
		row[0] = i
		for j := 1; j <= len(b); j++ {
			change := 1
			if a[i-1] == b[j-1] {
				change = 0
			}
			row[j] = min(last[j]+1, row[j-1]+1, last[j-1]+change)
			if i > 1 && j > 1 && a[i-1] == b[j-2] && a[i-2] == b[j-1] {
				row[j] = min(row[j], prior[j-2]+1)
			}
		}
		prior, last = last, row
	}
	return last[len(b)]
}

// takesFile lets the configuration be named without its flag, where nothing else could be meant.
func takesFile(cmd *cobra.Command, file *string) {
	cmd.Args = func(cmd *cobra.Command, args []string) error {
		switch {
		case len(args) > 1:
			return noArguments(cmd, args[1:])
		case len(args) == 1 && cmd.Flags().Changed("config"):
			return fmt.Errorf("two files are named: %s and %s", *file, args[0])
		case len(args) == 1:
			*file = args[0]
		}
		return nil
	}
}
