package main

import (
	"encoding/json"
	"fmt"
	"io"

	"ebbwatch/collector/nodestate"
)

// printJSON prints an answer for scripts. It holds its schema's version; names are in snake_case,
// and what is not known is left out. Fields are added to a version, never renamed.
func printJSON(w io.Writer, v any) error {
	enc := json.NewEncoder(w)
	enc.SetIndent("", "  ")
	if err := enc.Encode(v); err != nil {
		return fmt.Errorf("cannot print as JSON: %w", err)
	}
	return nil
}

// printList prints an answer that is a list, under its name and beside the schema's version.
func printList(w io.Writer, name string, list any) error {
	return printJSON(w, map[string]any{"schema": nodestate.Schema, name: list})
}
