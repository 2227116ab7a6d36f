package reading

import (
	"fmt"
	"strings"
)

// NotAQuantity says that a name is no quantity of a site, and which was likely meant.
func NotAQuantity(name string) string {
	var names []string
	for q := range NumSite {
		names = append(names, q.String())
	}
	return fmt.Sprintf("%q is not a quantity%s", name, DidYouMean(name, names))
}

// DidYouMean is the tail of a message about a mistyped word; it is empty when no candidate is
// near.
func DidYouMean(word string, candidates []string) string {
	if c := Nearest(word, candidates); c != "" {
		return fmt.Sprintf(" (did you mean %q?)", c)
	}
	return ""
}

// Nearest finds the candidate that a mistyped word most likely meant, or "".
func Nearest(word string, candidates []string) string {
	best, bestDistance := "", max(1, len(word)/3)+1
	for _, c := range candidates {
		if d := distance(strings.ToLower(word), c); d < bestDistance {
			best, bestDistance = c, d
		}
	}
	return best
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
