package decode

import (
	"fmt"
	"path/filepath"
	"reflect"
	"slices"
	"strconv"
	"strings"

	"go.yaml.in/yaml/v3"
)

// Section is one part of a configuration file that its owner has yet to decode.
type Section struct {
	load *loading
	file string     // as problems name it
	path string     // from the top of the file, such as sources[0].modbus; empty for all of it
	at   *yaml.Node // what a problem with the section as a whole points to: mostly its key
	node *yaml.Node
}

// Open makes a section of a whole file. A file that cannot be read is a problem of it.
func Open(path string) *Section {
	data, err := readFile(path)
	if err != nil {
		s := NewSection(path, []byte("{}"))
		s.load.problems = []Problem{{File: path, What: err.Error()}}
		return s
	}
	return NewSection(path, data)
}

// NewSection makes a section of a whole file's content. path names it in problems, and its
// folder is where relative paths start. A text that is no YAML is a problem of it.
func NewSection(path string, data []byte) *Section {
	load := &loading{dir: filepath.Dir(path)}
	root, problems := parseTree(path, data)
	load.problems = problems
	if root == nil {
		root = emptyAt(&yaml.Node{Line: 1, Column: 1})
	}
	return &Section{load: load, file: path, at: root, node: root}
}

// Problems are all that were found so far in the configuration that the section is part of.
func (s *Section) Problems() []Problem {
	s.ready()
	return sorted(slices.Clone(s.load.problems))
}

// loading is what the sections of one configuration share.
type loading struct {
	dir      string // that relative paths start from: the folder of the configuration
	problems []Problem
	doubts   []Problem
	harmless int      // of the problems: those that left no field unfilled
	inside   int      // of the others: those of structs inside the one that is being filled
	half     []string // file and path of structs of which a field could not be filled
}

// Decode fills the struct that v points to; the package comment lists the tags. What is
// wrong is kept as problems with their places, and the error only says that there are some.
func (s *Section) Decode(v any) error {
	s.ready()
	before := len(s.load.problems)
	target := reflect.ValueOf(v)
	if target.Kind() != reflect.Pointer || target.IsNil() {
		return fmt.Errorf("cannot decode into %T: a pointer is needed", v)
	}
	s.fill(s.node, target.Elem(), slot{key: s.path, path: s.path, at: s.at})
	return s.outcome(before)
}

// File fills the struct that v points to from another file, named relative to the
// configuration. key is the key of this section that named it: a file that cannot be read
// is reported there, what is wrong inside it in that file.
func (s *Section) File(key, path string, v any) error {
	s.ready()
	before := len(s.load.problems)
	full := s.load.resolve(path)
	data, err := readFile(full)
	if err != nil {
		s.Problem(key, "%s: %s", full, err)
		return s.outcome(before)
	}
	root, problems := parseTree(full, data)
	s.load.problems = append(s.load.problems, problems...)
	if root == nil {
		return s.outcome(before)
	}
	inner := &Section{load: s.load, file: full, at: root, node: root}
	return inner.Decode(v)
}

// Problem reports what is wrong at a key such as registers[3].address, or at the section
// itself when key is empty. The message is prefixed with the key.
func (s *Section) Problem(key, format string, args ...any) {
	s.ready()
	s.problemBelow(s.node, s.at, key, fmt.Sprintf(format, args...))
}

// Doubt notes what can be used at a key, and is most likely not what was meant.
func (s *Section) Doubt(key, format string, args ...any) {
	s.ready()
	s.doubtBelow(s.node, s.at, key, fmt.Sprintf(format, args...))
}

// ProblemAt places a message at a key, without the key in front of it.
func (s *Section) ProblemAt(key, format string, args ...any) {
	s.ready()
	s.add(locate(s.node, s.at, key), format, args...)
}

// Build makes a part from the section. Its error is a problem at the section, unless it
// reported better ones itself.
func (s *Section) Build(make func() error) {
	s.ready()
	before := len(s.load.problems)
	if err := make(); err != nil && len(s.load.problems) == before {
		s.Problem("", "%s", err)
	}
}

// Keys lists the keys of the section in the order of the file; nil when a list or a plain
// value stands in its place.
func (s *Section) Keys() []string {
	s.ready()
	if s.node.Kind != yaml.MappingNode {
		return nil
	}
	keys := []string{}
	for i := 0; i < len(s.node.Content); i += 2 {
		keys = append(keys, s.node.Content[i].Value)
	}
	return keys
}

// ready makes the zero section, which is that of no file, an empty one.
func (s *Section) ready() {
	if s.load == nil {
		*s = *NewSection("configuration", []byte("{}"))
	}
}

// Path says where in its file the section is, such as sources[0].modbus.
func (s *Section) Path() string { return s.path }

func (s *Section) outcome(before int) error {
	if len(s.load.problems) > before {
		return fmt.Errorf("cannot use the configuration: %s", s.load.problems[before])
	}
	return nil
}

func (s *Section) add(at *yaml.Node, format string, args ...any) {
	s.load.problems = append(s.load.problems,
		Problem{File: s.file, Line: at.Line, Col: at.Column, What: fmt.Sprintf(format, args...)})
}

// Doubts are what was found that can be used, and is most likely not what was meant.
func (s *Section) Doubts() []Problem {
	s.ready()
	return sorted(slices.Clone(s.load.doubts))
}

// doubtBelow notes a doubt at a key below a node.
func (s *Section) doubtBelow(n, at *yaml.Node, key, what string) {
	at = locate(n, at, key)
	s.load.doubts = append(s.load.doubts, Problem{File: s.file, Line: at.Line, Col: at.Column, What: key + ": " + what, Doubtful: true})
}

// problemBelow reports at a key below a node; with a key that is not there it points as
// near as it can.
func (s *Section) problemBelow(n, at *yaml.Node, key, what string) {
	if key == "" {
		s.add(at, "%s", what)
		return
	}
	s.add(locate(n, at, key), "%s: %s", key, what)
}

// locate walks along a key such as registers[3].address and gives the node to point to.
func locate(n, at *yaml.Node, key string) *yaml.Node {
	n = follow(n)
	for _, step := range strings.FieldsFunc(key, func(r rune) bool { return r == '.' || r == '[' }) {
		digits, index := strings.CutSuffix(step, "]")
		if i, err := strconv.Atoi(digits); index && err == nil && n.Kind == yaml.SequenceNode {
			if i < 0 || i >= len(n.Content) {
				return at
			}
			n = follow(n.Content[i])
			at = n
			continue
		}
		k, v := lookup(n, step)
		if k == nil {
			return at
		}
		n, at = v, pointer(k, v)
	}
	return at
}

// pointer is where to point for the value of a key: at a plain value itself, at the key of
// anything larger.
func pointer(k, v *yaml.Node) *yaml.Node {
	if v.Kind == yaml.ScalarNode && !isNull(v) {
		return v
	}
	return k
}

// resolve makes a path relative to the folder of the configuration; an absolute one stays.
func (l *loading) resolve(path string) string {
	if path == "" || filepath.IsAbs(path) {
		return path
	}
	return filepath.Join(l.dir, path)
}
