package main

import (
	"fmt"
	"io"
	"strings"

	"github.com/spf13/cobra"

	"ebbwatch/cmd/internal/config"
	"ebbwatch/cmd/internal/manual"
	"ebbwatch/deploy/handbook"
)

// manCommand prints the manual pages, made from the commands and the handbook. It is for whoever
// makes packages, and not listed.
func manCommand() *cobra.Command {
	var file, list bool
	cmd := &cobra.Command{
		Use:    "man [TOPIC]",
		Short:  "Print a manual page, in roff",
		Hidden: true,
		Args:   cobra.MaximumNArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			text := manual.Program(cmd.Root())
			switch {
			case list:
				text = strings.Join(handbook.Topics(), "\n") + "\n"
			case file:
				text = manual.Configuration(config.Reference(config.Kinds{Sources: sourceKinds(), Channels: channelKinds()}))
			case len(args) == 1:
				page, err := topic(args[0])
				if err != nil {
					return err
				}
				text = page.Roff(manual.PageName(args[0]))
			}
			if _, err := io.WriteString(cmd.OutOrStdout(), text); err != nil {
				return fmt.Errorf("cannot print the manual page: %w", err)
			}
			return nil
		},
	}
	cmd.Flags().BoolVar(&file, "file", false, "of the configuration instead of the program")
	cmd.Flags().BoolVar(&list, "list", false, "the topics of the handbook, a line each")
	return cmd
}

// topic is a page of the handbook.
func topic(name string) (manual.Page, error) {
	text, err := handbook.Page(name)
	if err != nil {
		return manual.Page{}, err
	}
	return manual.Parse(text)
}

// helpCommand tells of a command as --help does, or prints a page of the handbook.
func helpCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "help [COMMAND | TOPIC]",
		Short: "Tell of a command, or print a page of the handbook",
		Args:  cobra.ArbitraryArgs,
		RunE: func(cmd *cobra.Command, args []string) error {
			if found, rest, err := cmd.Root().Find(args); err == nil && len(rest) == 0 {
				return found.Help()
			}
			page, err := topic(args[0])
			if err != nil {
				known := append(namesOf(cmd.Root().Commands()), handbook.Topics()...)
				return misused("cannot help with %q%s; there is a page on each of: %s", args[0], meant(args[0], known, ""), strings.Join(handbook.Topics(), ", "))
			}
			if _, err := io.WriteString(cmd.OutOrStdout(), page.Terminal(terminalColumns)); err != nil {
				return fmt.Errorf("cannot print the page: %w", err)
			}
			return nil
		},
	}
}

// terminalColumns is the width of the pages: what every terminal has.
const terminalColumns = 80
