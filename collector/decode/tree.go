package decode

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"unicode"
	"unicode/utf8"

	"go.yaml.in/yaml/v3"

	"ebbwatch/collector/regular"
)

const (
	maxBytes  = 1 << 20 // of one file; a configuration is a few kB, a register map a few tens
	maxValues = 100_000 // in one file once every alias is written out
)

func readFile(path string) ([]byte, error) {
	f, err := regular.Open(path)
	if err != nil {
		return nil, fmt.Errorf("cannot open this file: %w", bare(err))
	}
	defer f.Close()
	data, err := io.ReadAll(io.LimitReader(f, maxBytes+1))
	if err != nil {
		return nil, fmt.Errorf("cannot read this file: %w", bare(err))
	}
	return data, nil
}

// bare drops the operation and path that the os package puts before an error: the problem
// names the file already.
func bare(err error) error {
	var p *os.PathError
	if errors.As(err, &p) {
		return p.Err
	}
	return err
}

// parseTree reads a file's content into a YAML tree that is safe to walk: finite, without
// duplicate keys. The problems are those that make walking senseless; nil comes with them.
func parseTree(path string, data []byte) (*yaml.Node, []Problem) {
	if len(data) > maxBytes {
		return nil, []Problem{{File: path, What: fmt.Sprintf("this file is too large: more than %d bytes", maxBytes)}}
	}
	if problem, found := notText(path, data); found {
		return nil, []Problem{problem}
	}
	dec := yaml.NewDecoder(bytes.NewReader(data))
	var doc, second yaml.Node
	err := dec.Decode(&doc)
	if errors.Is(err, io.EOF) || err == nil && isNull(doc.Content[0]) {
		return nil, []Problem{{File: path, What: "this file is empty"}}
	}
	if err != nil {
		return nil, []Problem{syntaxProblem(path, data, err)}
	}
	err = dec.Decode(&second)
	if err == nil {
		return nil, []Problem{{File: path, Line: second.Line, Col: second.Column, What: "a second document starts here: a file holds one"}}
	}
	if !errors.Is(err, io.EOF) {
		return nil, []Problem{syntaxProblem(path, data, err)}
	}
	root := doc.Content[0]
	if problems := inspect(path, root); len(problems) > 0 {
		return nil, problems
	}
	return root, nil
}

// notText finds the first byte that no text file holds. The library notices them too, but
// does not say where.
func notText(path string, data []byte) (Problem, bool) {
	line, col := 1, 1
	for i := 0; i < len(data); {
		r, size := utf8.DecodeRune(data[i:])
		switch {
		case r == utf8.RuneError && size == 1:
			return Problem{File: path, Line: line, Col: col, What: fmt.Sprintf("cannot read this as text: byte 0x%02x is not UTF-8", data[i])}, true
		case unicode.IsControl(r) && r != '\n' && r != '\r' && r != '\t' && r != '\u0085':
			return Problem{File: path, Line: line, Col: col, What: fmt.Sprintf("cannot read this as text: it holds the control character %U", r)}, true
		case r == '\n':
			line, col = line+1, 0
		}
		col++
		i += size
	}
	return Problem{}, false
}

// syntaxProblem turns the library's error into a problem. The library tells a line, at times
// one too small and at times the start of the surrounding block, and no column. So the place
// is searched for: it is just behind the longest beginning of the file that can be read.
func syntaxProblem(path string, data []byte, err error) Problem {
	what := strings.TrimPrefix(err.Error(), "yaml: ")
	told := 0
	if _, scan := fmt.Sscanf(what, "line %d: ", &told); scan == nil {
		_, what, _ = strings.Cut(what, ": ")
	}
	line, col, rest := whereUnreadable(data)
	if told > line {
		line, col = told, 1
	}
	if strings.HasPrefix(strings.TrimLeft(rest, " "), "\t") {
		what = "a tab stands where only spaces may indent"
	}
	return Problem{File: path, Line: line, Col: col, What: "cannot read this as YAML: " + what}
}

// whereUnreadable finds the end of the longest run of lines, and then of characters, from
// the start of data that still parses, and what follows it in that line.
func whereUnreadable(data []byte) (line, col int, rest string) {
	lines := bytes.SplitAfter(data, []byte("\n"))
	budget := 4 << 20 // bytes to parse in search of the place, so that the search stays short
	good, ends := 0, 0
	for n, end := 0, 0; n < len(lines) && budget > 0; n++ {
		end += len(lines[n])
		budget -= end
		if parses(data[:end]) {
			good, ends = n+1, end
		}
	}
	if good == len(lines) {
		return 1, 1, ""
	}
	text, at := lines[good], 0
	for i := 0; i < len(text) && budget > 0; {
		budget -= ends + i
		if parses(data[:ends+i]) {
			at = i
		}
		_, size := utf8.DecodeRune(text[i:])
		i += size
	}
	return good + 1, utf8.RuneCount(text[:at]) + 1, string(text[at:])
}

func parses(data []byte) bool {
	var n yaml.Node
	return yaml.Unmarshal(data, &n) == nil
}

// inspect walks a tree once and finds what would make later walks unsafe or ambiguous.
func inspect(path string, root *yaml.Node) []Problem {
	in := inspector{file: path, sizes: map[*yaml.Node]int{}}
	if size := in.size(root); size > maxValues && len(in.problems) == 0 {
		in.add(root, "this file is too large: more than %d values once its aliases are written out", maxValues)
	}
	return in.problems
}

type inspector struct {
	file     string
	problems []Problem
	sizes    map[*yaml.Node]int // of what was walked; -1 while being walked
}

func (in *inspector) add(n *yaml.Node, format string, args ...any) {
	in.problems = append(in.problems, Problem{File: in.file, Line: n.Line, Col: n.Column, What: fmt.Sprintf(format, args...)})
}

// size counts the values below n with every alias written out, and no further than needed.
func (in *inspector) size(n *yaml.Node) int {
	if n.Kind == yaml.AliasNode {
		if in.sizes[n.Alias] < 0 {
			in.add(n, "alias *%s stands inside what it repeats", n.Value)
			return 1
		}
		n = n.Alias
	}
	if size, known := in.sizes[n]; known {
		return size
	}
	in.sizes[n] = -1
	if n.Style&yaml.TaggedStyle != 0 && n.ShortTag() != "!!str" {
		in.add(n, "tag %s is not used here", n.Tag)
	}
	if n.Kind == yaml.MappingNode {
		in.keys(n)
	}
	size := 1
	for _, c := range n.Content {
		size = min(size+in.size(c), maxValues+1)
	}
	in.sizes[n] = size
	return size
}

// keys looks at the keys of one mapping.
func (in *inspector) keys(n *yaml.Node) {
	first := map[string]int{}
	for i := 0; i < len(n.Content); i += 2 {
		k := n.Content[i]
		switch line, twice := first[k.Value]; {
		case k.Kind != yaml.ScalarNode:
			in.add(k, "a key must be a plain word")
		case k.ShortTag() == "!!merge":
			in.add(k, "merging with << is not used here: write the keys out")
		case twice:
			in.add(k, "key %q is given twice, first in line %d", k.Value, line)
		default:
			first[k.Value] = k.Line
		}
	}
}

// follow goes through an alias to what it stands for.
func follow(n *yaml.Node) *yaml.Node {
	for n.Kind == yaml.AliasNode {
		n = n.Alias
	}
	return n
}

func isNull(n *yaml.Node) bool {
	return n.Kind == yaml.ScalarNode && n.ShortTag() == "!!null"
}

// lookup finds the key and value nodes of a key in a mapping; nil when there is none.
func lookup(n *yaml.Node, key string) (k, v *yaml.Node) {
	if n.Kind != yaml.MappingNode {
		return nil, nil
	}
	for i := 0; i+1 < len(n.Content); i += 2 {
		if n.Content[i].Value == key {
			return n.Content[i], follow(n.Content[i+1])
		}
	}
	return nil, nil
}
