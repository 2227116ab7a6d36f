package config

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
)

// Problem is one thing that is wrong in a file. Line and Col count from 1, in characters;
// both are 0 when the file as a whole is meant.
type Problem struct {
	File      string
	Line, Col int
	What      string
}

// String is file:line:col: what, which editors and terminals can jump to.
func (p Problem) String() string {
	if p.Line == 0 {
		return p.File + ": " + p.What
	}
	return fmt.Sprintf("%s:%d:%d: %s", p.File, p.Line, p.Col, p.What)
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

// near finds the candidate that a mistyped word most likely meant, or "".
func near(word string, candidates []string) string {
	best, bestDistance := "", max(1, len(word)/3)+1
	for _, c := range candidates {
		if d := distance(strings.ToLower(word), c); d < bestDistance {
			best, bestDistance = c, d
		}
	}
	return best
}

// didYouMean is the tail of a message about a mistyped word; it may be empty.
func didYouMean(word string, candidates []string) string {
	if c := near(word, candidates); c != "" {
		return fmt.Sprintf(" (did you mean %q?)", c)
	}
	return ""
}

// distance counts the letters to insert, drop, replace or swap with their neighbour to get
// from a to b (optimal string alignment).
func distance(a, b string) int {
	if len(a) > 64 || len(b) > 64 {
		return len(a) + len(b) // nobody mistypes that; and the table stays small
	}
	d := make([][]int, len(a)+1)
	for i := range d {
		d[i] = make([]int, len(b)+1)
		d[i][0] = i
	}
	for j := range d[0] {
		d[0][j] = j
	}
	for i := 1; i <= len(a); i++ {
		for j := 1; j <= len(b); j++ {
			change := 1
			if a[i-1] == b[j-1] {
				change = 0
			}
			d[i][j] = min(d[i-1][j]+1, d[i][j-1]+1, d[i-1][j-1]+change)
			if i > 1 && j > 1 && a[i-1] == b[j-2] && a[i-2] == b[j-1] {
				d[i][j] = min(d[i][j], d[i-2][j-2]+1)
			}
		}
	}
	return d[len(a)][len(b)]
}
