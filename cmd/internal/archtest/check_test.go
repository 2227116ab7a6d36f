package archtest

import (
	"cmp"
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"path"
	"slices"
	"strconv"
	"strings"
)

// Violation is a place where a rule is broken.
type Violation struct {
	File string // relative to the root; a folder when no file is to blame
	Line int    // 0 when the file or folder as a whole is meant
	What string
}

// String is file:line: what.
func (v Violation) String() string {
	if v.Line == 0 {
		return v.File + ": " + v.What
	}
	return fmt.Sprintf("%s:%d: %s", v.File, v.Line, v.What)
}

// Check reads the project whose root is fsys and gives every violation, by file and line.
// The error tells a file that cannot be read or parsed.
func Check(fsys fs.FS) ([]Violation, error) {
	p, err := load(fsys)
	if err != nil {
		return nil, fmt.Errorf("cannot check the source: %w", err)
	}
	root, err := checkRoot(fsys)
	if err != nil {
		return nil, fmt.Errorf("cannot check the root: %w", err)
	}
	found := root
	for _, pkg := range p.packages {
		found = append(found, p.checkImports(pkg)...)
		found = append(found, p.checkPurity(pkg)...)
		found = append(found, p.checkState(pkg)...)
		found = append(found, p.checkDocs(pkg)...)
		found = append(found, p.checkSleeps(pkg)...)
		found = append(found, p.checkSizes(pkg)...)
	}
	found = append(found, p.checkFeeds()...)
	slices.SortFunc(found, func(a, b Violation) int {
		return cmp.Or(cmp.Compare(a.File, b.File), cmp.Compare(a.Line, b.Line), cmp.Compare(a.What, b.What))
	})
	return slices.Compact(found), nil
}

// project is the parsed source.
type project struct {
	module   string
	fset     *token.FileSet
	packages []*pkg // by folder
}

// pkg is one folder with Go files.
type pkg struct {
	dir   string // relative to the root
	files []*file
}

type file struct {
	*ast.File
	path string
	test bool
}

// code gives the files that are no tests.
func (p *pkg) code() []*file {
	return slices.DeleteFunc(slices.Clone(p.files), func(f *file) bool { return f.test })
}

// imported gives the path that each import of a file names, with its node.
func (f *file) imported() map[string]*ast.ImportSpec {
	paths := map[string]*ast.ImportSpec{}
	for _, spec := range f.Imports {
		if path, err := strconv.Unquote(spec.Path.Value); err == nil {
			paths[path] = spec
		}
	}
	return paths
}

// nameOf is how a file calls a package that it imports; empty when it does not.
func (f *file) nameOf(importPath string) string {
	spec, ok := f.imported()[importPath]
	switch {
	case !ok:
		return ""
	case spec.Name != nil:
		return spec.Name.Name
	}
	name := path.Base(importPath)
	if version, isVersion := strings.CutPrefix(name, "v"); isVersion && strings.Trim(version, "0123456789") == "" {
		name = path.Base(path.Dir(importPath)) // math/rand/v2
	}
	return name
}

// at makes a violation at a node of a file.
func (p *project) at(f *file, n ast.Node, format string, args ...any) Violation {
	return Violation{f.path, p.fset.Position(n.Pos()).Line, fmt.Sprintf(format, args...)}
}

// load parses every Go file but those of testdata, of hidden folders and of other modules.
func load(fsys fs.FS) (*project, error) {
	mod, err := fs.ReadFile(fsys, "go.mod")
	if err != nil {
		return nil, err
	}
	p := &project{fset: token.NewFileSet(), module: moduleOf(string(mod))}
	byDir := map[string]*pkg{}
	err = fs.WalkDir(fsys, ".", func(name string, d fs.DirEntry, err error) error {
		switch {
		case err != nil:
			return err
		case d.IsDir() && skipped(fsys, name):
			return fs.SkipDir
		case d.IsDir() || path.Ext(name) != ".go":
			return nil
		}
		f, err := p.parse(fsys, name)
		if err != nil {
			return err
		}
		dir := path.Dir(name)
		if byDir[dir] == nil {
			byDir[dir] = &pkg{dir: dir}
			p.packages = append(p.packages, byDir[dir])
		}
		byDir[dir].files = append(byDir[dir].files, f)
		return nil
	})
	return p, err
}

func moduleOf(mod string) string {
	for line := range strings.Lines(mod) {
		if name, ok := strings.CutPrefix(line, "module "); ok {
			return strings.TrimSpace(name)
		}
	}
	return ""
}

func skipped(fsys fs.FS, dir string) bool {
	base := path.Base(dir)
	if dir == "." {
		return false
	}
	_, err := fs.Stat(fsys, path.Join(dir, "go.mod"))
	return err == nil || base == "testdata" || strings.HasPrefix(base, ".") || strings.HasPrefix(base, "_")
}

func (p *project) parse(fsys fs.FS, name string) (*file, error) {
	src, err := fs.ReadFile(fsys, name)
	if err != nil {
		return nil, err
	}
	parsed, err := parser.ParseFile(p.fset, name, src, parser.ParseComments|parser.SkipObjectResolution)
	if err != nil {
		return nil, err
	}
	return &file{parsed, name, strings.HasSuffix(name, "_test.go")}, nil
}
