package main

import (
	"encoding/json"
	"fmt"

	"github.com/spf13/cobra"

	"ebbwatch/cmd/internal/config"
)

func checkCommand() *cobra.Command {
	var file string
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "check [--config FILE]",
		Short: "Check a configuration and tell every problem at once",
		Args:  cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			c, problems := load(file, config.All())
			if asJSON {
				return checkJSON(cmd, problems)
			}
			for _, p := range problems {
				fmt.Fprintln(cmd.ErrOrStderr(), p)
			}
			if len(problems) > 0 {
				return exitCode(1)
			}
			fmt.Fprintf(cmd.OutOrStdout(), "%s is fine: %s, %s, %s to notify\n", file, c.Site.Name,
				count(len(c.Sources), "source"), count(len(c.Notify), "channel"))
			return nil
		},
	}
	configFlag(cmd, &file)
	cmd.Flags().BoolVar(&asJSON, "json", false, "print the problems as JSON")
	return cmd
}

func checkJSON(cmd *cobra.Command, problems []config.Problem) error {
	if problems == nil {
		problems = []config.Problem{}
	}
	enc := json.NewEncoder(cmd.OutOrStdout())
	enc.SetIndent("", "  ")
	if err := enc.Encode(problems); err != nil {
		return fmt.Errorf("cannot print the problems: %w", err)
	}
	if len(problems) > 0 {
		return exitCode(1)
	}
	return nil
}
