package archtest

import (
	"go/ast"
	"go/token"
	"slices"
	"strings"
)

// checkPurity looks for what makes the same inputs give different outputs: the clock, the
// shared source of chance, and goroutines.
func (p *project) checkPurity(pkg *pkg) []Violation {
	i := slices.IndexFunc(table(), func(r row) bool { return matches([]string{r.folder}, pkg.dir) })
	if i < 0 || !table()[i].pure {
		return nil
	}
	var found []Violation
	for _, f := range pkg.code() {
		clock, chance := f.nameOf("time"), f.nameOf("math/rand/v2")
		ast.Inspect(f.File, func(n ast.Node) bool {
			switch n := n.(type) {
			case *ast.GoStmt:
				found = append(found, p.at(f, n, "%s is pure computation and starts no goroutine", pkg.dir))
			case *ast.SelectorExpr:
				if isOf(n, clock, clockNames()) {
					found = append(found, p.at(f, n, "%s is pure computation: the time is passed in, not asked for with time.%s", pkg.dir, n.Sel.Name))
				}
				if isOf(n, chance, chanceNames()) {
					found = append(found, p.at(f, n, "%s is pure computation: chance has a seed that is passed in, which rand.%s has not", pkg.dir, n.Sel.Name))
				}
			}
			return true
		})
	}
	return found
}

// clockNames are the functions of package time that ask the clock or wait for it.
func clockNames() []string {
	return []string{"Now", "Since", "Until", "Sleep", "After", "AfterFunc", "Tick", "NewTimer", "NewTicker"}
}

// chanceNames are the functions of math/rand/v2 that draw from the source all share.
func chanceNames() []string {
	return []string{"Int", "IntN", "Int32", "Int32N", "Int64", "Int64N", "Uint", "UintN", "Uint32", "Uint32N",
		"Uint64", "Uint64N", "N", "Float32", "Float64", "NormFloat64", "ExpFloat64", "Perm", "Shuffle"}
}

// isOf tells a selector such as time.Now: one of the names, of the package called pkg.
func isOf(n *ast.SelectorExpr, pkg string, names []string) bool {
	x, ok := n.X.(*ast.Ident)
	return ok && pkg != "" && x.Name == pkg && slices.Contains(names, n.Sel.Name)
}

// checkState looks for init functions and for package variables. A variable may be
//   - _, to assert that a type satisfies an interface;
//   - a sentinel error made by errors.New;
//   - an embedded file;
//   - a regular expression, which cannot be changed once it is compiled.
//
// Anything else is a function that returns a fresh value, or a field. Tests are held to the
// rule of init alone.
func (p *project) checkState(pkg *pkg) []Violation {
	var found []Violation
	for _, f := range pkg.files {
		for _, decl := range f.Decls {
			switch d := decl.(type) {
			case *ast.FuncDecl:
				if d.Name.Name == "init" && d.Recv == nil {
					found = append(found, p.at(f, d, "nothing happens by itself: no init function"))
				}
			case *ast.GenDecl:
				if d.Tok == token.VAR && !f.test {
					found = append(found, p.variables(f, d)...)
				}
			}
		}
	}
	return found
}

func (p *project) variables(f *file, d *ast.GenDecl) []Violation {
	var found []Violation
	for _, s := range d.Specs {
		spec, ok := s.(*ast.ValueSpec)
		if !ok || embedded(d.Doc) || embedded(spec.Doc) {
			continue
		}
		for i, name := range spec.Names {
			var value ast.Expr
			if i < len(spec.Values) {
				value = spec.Values[i]
			}
			if name.Name != "_" && !unchanging(f, value) {
				found = append(found, p.at(f, name, "package variable %s can change: make it a constant, a function or a field", name.Name))
			}
		}
	}
	return found
}

// embedded tells a comment with the directive that embeds a file.
func embedded(doc *ast.CommentGroup) bool {
	return doc != nil && slices.ContainsFunc(doc.List, func(c *ast.Comment) bool { return strings.HasPrefix(c.Text, "//go:embed ") })
}

// unchanging tells values that nobody changes once they are made.
func unchanging(f *file, value ast.Expr) bool {
	call, ok := value.(*ast.CallExpr)
	if !ok {
		return false
	}
	fun, ok := call.Fun.(*ast.SelectorExpr)
	return ok && (isOf(fun, f.nameOf("errors"), []string{"New"}) || isOf(fun, f.nameOf("regexp"), []string{"MustCompile"}))
}

// checkSleeps wants tests that do not wait for the real clock. What they sleep must pass in
// a bubble of testing/synctest, where it takes no time. Which function runs in a bubble is
// not followed: a package whose tests use them at all is trusted.
func (p *project) checkSleeps(pkg *pkg) []Violation {
	var found []Violation
	for _, f := range pkg.files {
		if !f.test {
			continue
		}
		if f.nameOf("testing/synctest") != "" {
			return nil
		}
		clock := f.nameOf("time")
		ast.Inspect(f.File, func(n ast.Node) bool {
			if s, ok := n.(*ast.SelectorExpr); ok && isOf(s, clock, []string{"Sleep"}) {
				found = append(found, p.at(f, s, "a test sleeps only in a bubble of testing/synctest"))
			}
			return true
		})
	}
	return found
}
