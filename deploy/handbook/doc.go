// Package handbook holds the pages for people who run a node: one short page a task. The text is
// here once; `ebbwatch help TOPIC`, the manual pages and the package are made from it.
//
// In: the pages beside this file, in the small part of Markdown that cmd/internal/manual reads.
// Out: their names in the order of reading, and their text. Blocks marked sh hold commands that a
// test runs beside a demonstration; blocks marked "sh board" hold those that change a board, which
// the packages' own checks (deploy/package/try and boot) run in a Debian root.
package handbook

import (
	"embed"
	"fmt"
)

//go:embed *.md
var pages embed.FS

// Topics are the names of the pages, in the order in which they are best read.
func Topics() []string {
	return []string{"first-hour", "wiring", "unknown-map", "few-instruments", "behind-nat", "fleet", "updates", "numbers", "troubleshooting"}
}

// Page is the text of a topic, in Markdown.
func Page(topic string) (string, error) {
	text, err := pages.ReadFile(topic + ".md")
	if err != nil {
		return "", fmt.Errorf("cannot find the page %q of the handbook: see ebbwatch help", topic)
	}
	return string(text), nil
}
