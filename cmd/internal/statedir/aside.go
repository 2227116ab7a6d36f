package statedir

import (
	"cmp"
	"fmt"
	"slices"
	"strconv"
	"strings"
)

// keepDamaged is how many damaged files are kept of each name, for whoever wants to know
// what happened; more would fill a small disk.
const keepDamaged = 3

// setAside renames a damaged generation and says what became of it.
func (d *Dir) setAside(name, generation string) string {
	prefix := name + ".damaged-"
	numbers := d.numbers(prefix)
	next := 1
	if len(numbers) > 0 {
		next = numbers[len(numbers)-1] + 1
	}
	aside := prefix + strconv.Itoa(next)
	if err := d.disk.rename(generation, aside); err != nil {
		return fmt.Sprintf("it is not used, and cannot be set aside: %s", err)
	}
	for _, n := range numbers[:max(0, len(numbers)+1-keepDamaged)] {
		_ = d.disk.remove(prefix + strconv.Itoa(n)) // one too many is no harm
	}
	return "it is set aside as " + aside
}

// numbers lists the numbers of the files set aside under a prefix, the least first.
func (d *Dir) numbers(prefix string) []int {
	names, _ := d.disk.list() // without the list numbering starts again
	var numbers []int
	for _, name := range names {
		tail, ok := strings.CutPrefix(name, prefix)
		if n, err := strconv.Atoi(tail); ok && err == nil {
			numbers = append(numbers, n)
		}
	}
	slices.SortFunc(numbers, cmp.Compare[int])
	return numbers
}
