package archtest

import (
	"fmt"
	"path"
	"slices"
	"strings"
)

// row says what the packages of a folder may do. Patterns are folders of ours; /... at the
// end takes in what is below, /* only what is directly below.
type row struct {
	folder  string
	imports []string // of ours
	pure    bool     // no clock, file, network, logger, goroutine or chance
}

// table is the order of the layout; the first row whose folder matches a package holds.
func table() []row {
	return []row{
		{folder: "collector/reading", pure: true},
		// The one HTTP client. It imports nothing of ours, so that channels may use it too.
		{folder: "collector/webclient"},
		// The one way to open a file that the owner names, for channels too.
		{folder: "collector/regular"},
		// The schema of what a node says of itself, which peers and facts share.
		{folder: "collector/nodestate", pure: true},
		{folder: "collector/...", imports: []string{"collector/..."}},
		// What the tests of planning share: published values and measured days.
		{folder: "estimator/plan/plantest", imports: []string{"collector/needtest"}},
		{folder: "estimator/...", imports: []string{"collector/reading", "estimator/..."}, pure: true},
		{folder: "alert", pure: true},
		{folder: "alert/outbox", imports: []string{"alert"}, pure: true},
		{folder: "alert/cause", pure: true},
		{folder: "alert/watch", imports: []string{"alert"}, pure: true},
		{folder: "alert/alerttest", imports: []string{"alert/..."}},
		// Empties the outbox through the channels.
		{folder: "alert/sender", imports: []string{"alert", "alert/outbox"}},
		// What the channels share. It carries nothing by itself.
		{folder: "alert/post", imports: []string{"alert", "collector/webclient", "collector/regular"}},
		{folder: "alert/*", imports: []string{"alert", "alert/post", "collector/regular"}},
		{folder: "cmd/internal/facts", imports: []string{"collector/reading", "collector/nodestate", "estimator/..."}, pure: true},
		{folder: "cmd/internal/core", imports: []string{"cmd/internal/facts", "collector", "collector/reading", "collector/plausible", "estimator/...", "alert"}, pure: true},
		// Numbers in, markup out. html/template only names the type that says so.
		{folder: "cmd/internal/chart", pure: true},
		{folder: "cmd/internal/web", imports: []string{"cmd/internal/facts", "cmd/internal/history", "cmd/internal/chart", "collector/regular"}},
		{folder: "deploy/..."}, // tests, and what makes packages
		{folder: "cmd/...", imports: []string{"collector/...", "estimator/...", "alert/...", "cmd/internal/...", "deploy/handbook"}},
	}
}

// restricted are packages of others that only some of ours may import, and why.
func restricted() []restriction {
	return []restriction{
		// procfs publishes nothing: it reads what the kernel counts. The watcher scrapes nodes.
		{"github.com/prometheus/...", []string{"cmd/internal/web", "cmd/internal/remotewrite", "cmd/internal/cost", "cmd/internal/watcher"}, "parts know nothing of how they are published"},
		{"os/exec", []string{"alert/command", "cmd/internal/cardtest", "collector/needtest"}, "the daemon starts no programs"},
		{"unsafe", nil, "nothing here is worth it"},
		{"math/rand", nil, "math/rand/v2 takes its seed as an argument"},
		{"github.com/goburrow/serial", nil, "go.bug.st/serial is the one that is used"},
	}
}

type restriction struct {
	what string
	only []string
	why  string
}

// impure are the packages of the standard library that reach out of the process.
func impure() []string {
	return []string{"os/...", "net/...", "log/...", "syscall", "io/ioutil", "runtime/...", "database/...", "testing/...", "path/filepath", "crypto/rand", "embed"}
}

// reckoning are the packages of others that pure code may import: they only calculate.
func reckoning() []string {
	return []string{"gonum.org/v1/gonum/...", "github.com/soniakeys/..."}
}

func matches(patterns []string, name string) bool {
	return slices.ContainsFunc(patterns, func(p string) bool {
		if below, ok := strings.CutSuffix(p, "/..."); ok {
			return name == below || strings.HasPrefix(name, below+"/")
		}
		if above, ok := strings.CutSuffix(p, "/*"); ok {
			return path.Dir(name) == above
		}
		return name == p
	})
}

// checkImports holds the imports of a package against the table. Tests may import what they
// like.
func (p *project) checkImports(pkg *pkg) []Violation {
	i := slices.IndexFunc(table(), func(r row) bool { return matches([]string{r.folder}, pkg.dir) })
	if i < 0 {
		return []Violation{{File: pkg.dir, What: "this folder has no row in the table of the layout"}}
	}
	var found []Violation
	for _, f := range pkg.code() {
		for name, spec := range f.imported() {
			if why := p.refused(table()[i], pkg.dir, name); why != "" {
				found = append(found, p.at(f, spec, "%s", why))
			}
		}
	}
	return found
}

// refused says why a package may not import another; it is empty when it may.
func (p *project) refused(r row, dir, name string) string {
	if ours, ok := strings.CutPrefix(name, p.module+"/"); ok {
		if !matches(r.imports, ours) {
			return fmt.Sprintf("%s may not import %s", dir, ours)
		}
		return ""
	}
	for _, limit := range restricted() {
		if matches([]string{limit.what}, name) && !matches(limit.only, dir) {
			return fmt.Sprintf("%s may not import %s: %s", dir, name, limit.why)
		}
	}
	if !r.pure {
		return ""
	}
	if matches(impure(), name) {
		return fmt.Sprintf("%s is pure computation and may not import %s", dir, name)
	}
	if first, _, _ := strings.Cut(name, "/"); strings.Contains(first, ".") && !matches(reckoning(), name) {
		return fmt.Sprintf("%s is pure computation and may not import %s", dir, name)
	}
	return ""
}
