package manual

import (
	"strings"
	"unicode/utf8"
)

// Terminal is the page for a screen of so many columns; code is not broken, so that it can be
// copied.
func (p Page) Terminal(columns int) string {
	var b strings.Builder
	b.WriteString(plain(p.Title) + "\n\n")
	for i, x := range p.blocks {
		switch x.kind {
		case section:
			b.WriteString(strings.ToUpper(plain(x.text)) + "\n\n")
			continue
		case item:
			wrap(&b, "- ", "  ", plain(x.text), columns)
			if i+1 < len(p.blocks) && p.blocks[i+1].kind == item {
				continue
			}
		case code:
			for line := range strings.Lines(x.text) {
				b.WriteString("    " + line)
			}
		default:
			wrap(&b, "", "", plain(x.text), columns)
		}
		b.WriteString("\n")
	}
	return strings.TrimRight(b.String(), "\n") + "\n"
}

// wrap writes words in lines; a word that is longer than a line stands alone.
func wrap(b *strings.Builder, first, next, text string, columns int) {
	line, empty := first, true
	for _, word := range strings.Fields(text) {
		if !empty && utf8.RuneCountInString(line)+1+utf8.RuneCountInString(word) > columns {
			b.WriteString(line + "\n")
			line, empty = next, true
		}
		if !empty {
			line += " "
		}
		line, empty = line+word, false
	}
	b.WriteString(line + "\n")
}
