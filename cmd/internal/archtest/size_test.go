package archtest

import (
	"fmt"
	"go/ast"
)

// What a reader can hold in the head. Most functions are far below.
const (
	longestFunction = 80  // lines
	longestFile     = 500 // lines
)

// checkSizes wants functions and files that can be read in one go, tests among them.
func (p *project) checkSizes(pkg *pkg) []Violation {
	var found []Violation
	for _, f := range pkg.files {
		if n := p.fset.File(f.Pos()).LineCount(); n > longestFile {
			found = append(found, Violation{File: f.path, What: fmt.Sprintf("the file has %d lines, more than %d", n, longestFile)})
		}
		for _, decl := range f.Decls {
			d, ok := decl.(*ast.FuncDecl)
			if !ok {
				continue
			}
			if n := p.fset.Position(d.End()).Line - p.fset.Position(d.Pos()).Line + 1; n > longestFunction {
				found = append(found, p.at(f, d, "function %s has %d lines, more than %d", d.Name.Name, n, longestFunction))
			}
		}
	}
	return found
}
