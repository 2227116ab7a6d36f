package archtest

import (
	"go/ast"
	"go/token"
	"path"
	"strings"
)

// checkFeeds wants a writer in the program for every exported field, and a caller for every
// exported function and method: what only tests fill or call proves nothing of what ships.
// Fields with a tag are filled by a decoder. The source is not type-checked, so names stand
// for things: a field counts as written when a literal of its type names it, or anything of
// its name is assigned to.
func (p *project) checkFeeds() []Violation {
	u := uses{written: map[string]map[string]bool{}, mentioned: map[string]int{}, changes: p.changers()}
	for _, pkg := range p.packages {
		if helpsTests(pkg.dir) {
			continue
		}
		for _, f := range pkg.code() {
			ast.Inspect(f.File, u.visit)
		}
	}
	var found []Violation
	for _, pkg := range p.packages {
		if helpsTests(pkg.dir) {
			continue
		}
		for _, f := range pkg.code() {
			found = append(found, p.unfed(f, u)...)
		}
	}
	return found
}

// helpsTests tells packages that exist for tests alone, and the simulated site, in which the
// tests of all others live.
func helpsTests(dir string) bool {
	return strings.HasSuffix(path.Base(dir), "test") || dir == "collector/sim"
}

// uses is what the program does with names.
type uses struct {
	written   map[string]map[string]bool // field → types of the literals that name it; "" for any
	mentioned map[string]int             // how often a name stands in the program
	changes   map[string]bool            // methods that change what they are called on
}

// changers are the names of all methods with a pointer receiver.
func (p *project) changers() map[string]bool {
	names := map[string]bool{}
	for _, pkg := range p.packages {
		for _, f := range pkg.code() {
			for _, decl := range f.Decls {
				if d, ok := decl.(*ast.FuncDecl); ok && d.Recv != nil {
					if _, pointer := d.Recv.List[0].Type.(*ast.StarExpr); pointer {
						names[d.Name.Name] = true
					}
				}
			}
		}
	}
	return names
}

func (u uses) write(field, of string) {
	if u.written[field] == nil {
		u.written[field] = map[string]bool{}
	}
	u.written[field][of] = true
}

func (u uses) visit(n ast.Node) bool {
	switch n := n.(type) {
	case *ast.Ident:
		u.mentioned[n.Name]++
	case *ast.CompositeLit:
		if n.Type != nil { // one that leaves it out was met in its list
			u.literal(n, n.Type)
		}
	case *ast.CallExpr:
		if f, ok := n.Fun.(*ast.SelectorExpr); ok && u.changes[f.Sel.Name] {
			u.target(f.X)
		}
	case *ast.AssignStmt:
		for _, x := range n.Lhs {
			u.target(x)
		}
	case *ast.IncDecStmt:
		u.target(n.X)
	case *ast.RangeStmt:
		u.target(n.Key)
		u.target(n.Value)
	case *ast.UnaryExpr:
		if n.Op == token.AND {
			u.target(n.X)
		}
	}
	return true
}

// literal notes the fields that a literal of a type sets. One without names sets all of it; the
// elements of a list or table may leave their type out.
func (u uses) literal(n *ast.CompositeLit, is ast.Expr) {
	var element ast.Expr
	switch t := is.(type) {
	case *ast.ArrayType:
		element = t.Elt
	case *ast.MapType:
		element = t.Value
	}
	of := typeName(is)
	for _, e := range n.Elts {
		kv, named := e.(*ast.KeyValueExpr)
		if named {
			e = kv.Value
		}
		if inner, ok := e.(*ast.CompositeLit); ok && inner.Type == nil && element != nil {
			u.literal(inner, element)
		}
		if !named {
			u.write("*", of)
		} else if key, ok := kv.Key.(*ast.Ident); ok && element == nil {
			u.write(key.Name, of)
		}
	}
}

// typeName is the last part of a type's name; empty where a literal leaves it out.
func typeName(x ast.Expr) string {
	switch x := x.(type) {
	case *ast.Ident:
		return x.Name
	case *ast.SelectorExpr:
		return x.Sel.Name
	case *ast.IndexExpr:
		return typeName(x.X)
	case *ast.StarExpr:
		return typeName(x.X)
	}
	return ""
}

// target notes every field on the way to what is assigned to.
func (u uses) target(x ast.Expr) {
	switch x := x.(type) {
	case *ast.SelectorExpr:
		u.write(x.Sel.Name, "")
		u.target(x.X)
	case *ast.IndexExpr:
		u.target(x.X)
	case *ast.SliceExpr:
		u.target(x.X)
	case *ast.StarExpr:
		u.target(x.X)
	case *ast.ParenExpr:
		u.target(x.X)
	}
}

func (u uses) fed(field, of string) bool {
	return u.written[field][""] || u.written[field][of] || u.written["*"][of]
}

// unfed lists what a file exports and nobody fills or calls.
func (p *project) unfed(f *file, u uses) []Violation {
	var found []Violation
	for _, decl := range f.Decls {
		switch d := decl.(type) {
		case *ast.FuncDecl:
			if d.Name.IsExported() && exportedReceiver(d) && u.mentioned[d.Name.Name] < 2 && !calledByOthers(d) {
				found = append(found, p.at(f, d, "nothing in the program calls %s", d.Name.Name))
			}
		case *ast.GenDecl:
			for _, s := range d.Specs {
				t, ok := s.(*ast.TypeSpec)
				if !ok {
					continue
				}
				if st, ok := t.Type.(*ast.StructType); ok {
					found = append(found, p.unfedFields(f, t.Name.Name, st, u)...)
				}
			}
		}
	}
	return found
}

func (p *project) unfedFields(f *file, of string, st *ast.StructType, u uses) []Violation {
	var found []Violation
	for _, field := range st.Fields.List {
		if field.Tag != nil {
			continue
		}
		for _, name := range field.Names {
			if name.IsExported() && !u.fed(name.Name, of) {
				found = append(found, p.at(f, name, "nothing in the program sets %s.%s", of, name.Name))
			}
		}
	}
	return found
}

// calledByOthers tells methods that libraries call by their name.
func calledByOthers(d *ast.FuncDecl) bool {
	if d.Recv == nil {
		return false
	}
	switch d.Name.Name {
	case "String", "GoString", "Format", "Error", "Is", "As", "Unwrap", "MarshalJSON", "UnmarshalJSON", "MarshalText",
		"UnmarshalText", "UnmarshalYAML", "ServeHTTP", "Describe", "Collect", "LogValue", "Timeout", "Temporary",
		"Infof", "Warnf", "Debugf", "Fatalf", "Errorf", // the logger of pro-bing
		"MarshalToSizedBuffer": // the message of remote write

		return true
	}
	return false
}
