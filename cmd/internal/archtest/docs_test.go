package archtest

import (
	"go/ast"
	"go/token"
	"slices"
	"strings"
)

// checkDocs wants a comment on every package and on every exported name of it. That of a
// function or type begins with its name, so that a later insertion cannot steal it unseen.
func (p *project) checkDocs(pkg *pkg) []Violation {
	code := pkg.code()
	if len(code) == 0 {
		return nil
	}
	var found []Violation
	switch n := packageDocs(code); {
	case n == 0:
		found = append(found, Violation{File: pkg.dir, What: "package " + code[0].Name.Name + " has no comment"})
	case n > 1:
		found = append(found, Violation{File: pkg.dir, What: "package " + code[0].Name.Name + " has more than one comment"})
	}
	for _, f := range code {
		for _, decl := range f.Decls {
			switch d := decl.(type) {
			case *ast.FuncDecl:
				if d.Name.IsExported() && exportedReceiver(d) {
					found = append(found, p.named(f, d.Name, "function", d.Doc)...)
				}
			case *ast.GenDecl:
				found = append(found, p.specs(f, d)...)
			}
		}
	}
	return found
}

func packageDocs(files []*file) int {
	n := 0
	for _, f := range files {
		if f.Doc != nil && strings.TrimSpace(f.Doc.Text()) != "" {
			n++
		}
	}
	return n
}

// exportedReceiver tells functions, and methods of exported types.
func exportedReceiver(d *ast.FuncDecl) bool {
	if d.Recv == nil || len(d.Recv.List) == 0 {
		return true
	}
	t := d.Recv.List[0].Type
	if star, ok := t.(*ast.StarExpr); ok {
		t = star.X
	}
	switch generic := t.(type) {
	case *ast.IndexExpr:
		t = generic.X
	case *ast.IndexListExpr:
		t = generic.X
	}
	name, ok := t.(*ast.Ident)
	return ok && name.IsExported()
}

// named wants a comment that begins with the name, be it behind an article.
func (p *project) named(f *file, name *ast.Ident, what string, doc *ast.CommentGroup) []Violation {
	words := strings.Fields(doc.Text())
	if len(words) == 0 {
		return []Violation{p.at(f, name, "%s %s has no comment", what, name.Name)}
	}
	if slices.Contains([]string{"A", "An", "The"}, words[0]) && len(words) > 1 {
		words = words[1:]
	}
	if strings.TrimRight(words[0], ".,:;'s") != strings.TrimRight(name.Name, "s") && words[0] != "Deprecated:" {
		return []Violation{p.at(f, name, "the comment of %s %s begins with %q", what, name.Name, words[0])}
	}
	return nil
}

// specs looks at types, constants and variables. One comment serves a block of constants or
// variables, as does one behind the line.
func (p *project) specs(f *file, d *ast.GenDecl) []Violation {
	var found []Violation
	for _, s := range d.Specs {
		switch spec := s.(type) {
		case *ast.TypeSpec:
			doc := spec.Doc
			if doc == nil && !d.Lparen.IsValid() {
				doc = d.Doc
			}
			if spec.Name.IsExported() {
				found = append(found, p.named(f, spec.Name, "type", doc)...)
			}
		case *ast.ValueSpec:
			for _, name := range spec.Names {
				if name.IsExported() && d.Doc.Text() == "" && spec.Doc.Text() == "" && spec.Comment.Text() == "" {
					found = append(found, p.at(f, name, "%s %s has no comment", kindOf(d.Tok), name.Name))
				}
			}
		}
	}
	return found
}

func kindOf(t token.Token) string {
	if t == token.CONST {
		return "constant"
	}
	return "variable"
}
