package main

import (
	"fmt"
	"runtime"
	"runtime/debug"

	"github.com/spf13/cobra"

	"ebbwatch/cmd/internal/facts"
)

func versionCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "version",
		Short: "Print the version",
		Run: func(cmd *cobra.Command, _ []string) {
			b := build()
			fmt.Fprintf(cmd.OutOrStdout(), "ebbwatch %s %s %s %s/%s\n", b.Version, b.Revision, b.Go, runtime.GOOS, runtime.GOARCH)
		},
	}
}

// build says which program this is.
func build() facts.Build {
	info, _ := debug.ReadBuildInfo()
	return buildOf(info)
}

// buildOf reads the module's version and the short revision that a build was made from.
func buildOf(info *debug.BuildInfo) facts.Build {
	b := facts.Build{Version: "devel", Revision: "unknown", Go: runtime.Version()}
	if info == nil {
		return b
	}
	if v := info.Main.Version; v != "" && v != "(devel)" {
		b.Version = v
	}
	for _, s := range info.Settings {
		if s.Key == "vcs.revision" {
			b.Revision = s.Value[:min(12, len(s.Value))]
		}
	}
	return b
}
