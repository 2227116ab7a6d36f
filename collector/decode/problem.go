package decode

import (
	"cmp"
	"fmt"
	"slices"
)

// Problem is one thing that is wrong in a file. Line and Col count from 1, in characters;
// both are 0 when the file as a whole is meant.
type Problem struct {
	File string `json:"file"`
	Line int    `json:"line,omitempty"` // from 1; 0 where no place can be named
	Col  int    `json:"column,omitempty"`
	What string `json:"what"`
	// Doubtful is what can be used, and is most likely not what was meant.
	Doubtful bool `json:"doubtful,omitempty"`
}

// String is file:line:col: what, which editors and terminals can jump to.
func (p Problem) String() string {
	what := p.What
	if p.Doubtful {
		what = "doubtful: " + what
	}
	if p.Line == 0 {
		return p.File + ": " + what
	}
	return fmt.Sprintf("%s:%d:%d: %s", p.File, p.Line, p.Col, what)
}

// sorted puts problems in reading order and drops repeats: two sources may share a register
// map, and its mistakes are told once. It works in place.
func sorted(problems []Problem) []Problem {
	slices.SortFunc(problems, func(a, b Problem) int {
		return cmp.Or(cmp.Compare(a.File, b.File), cmp.Compare(a.Line, b.Line),
			cmp.Compare(a.Col, b.Col), cmp.Compare(a.What, b.What))
	})
	return slices.Compact(problems)
}
