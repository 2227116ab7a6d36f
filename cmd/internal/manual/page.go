package manual

import (
	"fmt"
	"regexp"
	"strings"
)

// kind is what a block of a page is.
type kind int

const (
	title kind = iota
	section
	paragraph
	item
	code
)

// block is one piece of a page; the lines of code stand as they are, other text is one line.
type block struct {
	kind kind
	text string
}

// Page is a page of the handbook, taken apart.
type Page struct {
	Title  string
	blocks []block
}

// Parse reads a page: one title, sections, paragraphs, lists without depth, and fenced code. Any
// other mark of Markdown is taken for text, but for **, ` and < > around an address.
func Parse(text string) (Page, error) {
	var p Page
	add := func(k kind, text string) { p.blocks = append(p.blocks, block{k, text}) }
	open, fenced := false, false // open: the next line goes on with the last block
	for n, line := range strings.Split(strings.TrimSpace(text), "\n") {
		last := len(p.blocks) - 1
		switch {
		case strings.HasPrefix(line, "```"):
			if fenced = !fenced; fenced {
				add(code, "")
			}
			open = false
		case fenced:
			p.blocks[last].text += line + "\n"
		case line == "":
			open = false
		case strings.HasPrefix(line, "# "):
			if n > 0 {
				return p, fmt.Errorf("cannot read the page: line %d is a second title", n+1)
			}
			p.Title = line[2:]
		case strings.HasPrefix(line, "## "):
			add(section, line[3:])
		case strings.HasPrefix(line, "- "):
			add(item, line[2:])
			open = true
		case open:
			p.blocks[last].text += " " + strings.TrimSpace(line)
		default:
			add(paragraph, line)
			open = true
		}
	}
	if fenced || p.Title == "" {
		return p, fmt.Errorf("cannot read the page: it wants a title in its first line, and an end to every ```")
	}
	return p, nil
}

var marks = regexp.MustCompile("\\*\\*([^*]+)\\*\\*|`([^`]+)`|<(https?://[^>]+)>")

// plain takes the marks away.
func plain(s string) string { return marks.ReplaceAllString(s, "$1$2$3") }
