package decode

import (
	"encoding"
	"fmt"
	"reflect"
	"slices"
	"strings"

	"go.yaml.in/yaml/v3"

	"ebbwatch/collector/reading"
)

// slot is where a value belongs: how messages call it and what its tags demand.
type slot struct {
	key  string     // such as baud or cells[3]
	path string     // from the top of the file, such as sources[0].modbus.baud
	at   *yaml.Node // what to point to for a value that is more than a plain one
	rule rule
}

// checker is a struct that knows more about its fields than tags can say. It is asked when all its
// own fields could be filled; what it says of a struct below that could not is not heard. Keys are
// relative to the struct.
type checker interface {
	Check(problem func(key, what string))
}

// doubter is a struct that knows what would be allowed, and is most likely not meant. It is asked
// after its check found nothing.
type doubter interface {
	Doubt(doubt func(key, what string))
}

// fill decodes n into v.
func (s *Section) fill(n *yaml.Node, v reflect.Value, sl slot) {
	n = follow(n)
	if s.fillSection(n, v, sl) {
		return
	}
	if isNull(n) {
		s.fillNull(n, v, sl)
		return
	}
	if v.Kind() == reflect.Pointer {
		inner := reflect.New(v.Type().Elem())
		s.fill(n, inner.Elem(), sl)
		v.Set(inner)
		return
	}
	if _, ok := v.Addr().Interface().(encoding.TextUnmarshaler); ok {
		s.fillText(n, v, sl)
		return
	}
	switch v.Kind() {
	case reflect.Struct:
		s.fillStruct(n, v, sl)
	case reflect.Slice:
		s.fillSlice(n, v, sl)
	case reflect.Map:
		s.fillMap(n, v, sl)
	default:
		s.fillScalar(n, v, sl)
	}
}

// fillSection serves a field that wants to stay undecoded: a [Section], a pointer to one, or
// an interface that a section satisfies.
func (s *Section) fillSection(n *yaml.Node, v reflect.Value, sl slot) bool {
	raw := &Section{load: s.load, file: s.file, path: sl.path, at: sl.at, node: n}
	switch p := reflect.ValueOf(raw); {
	case v.Type() == p.Type().Elem():
		v.Set(p.Elem())
	case v.Type() == p.Type(), v.Kind() == reflect.Interface && p.Type().Implements(v.Type()):
		v.Set(p)
	default:
		return false
	}
	return true
}

// fillNull serves a key without a value: nothing for a section or list whose lines are all
// commented out, a mistake for anything else.
func (s *Section) fillNull(n *yaml.Node, v reflect.Value, sl slot) {
	switch v.Kind() {
	case reflect.Struct:
		s.fillStruct(emptyAt(n), v, sl)
	case reflect.Slice, reflect.Map:
		s.checkLength(0, sl)
	case reflect.Pointer:
		if k := v.Type().Elem().Kind(); k == reflect.Struct || k == reflect.Slice || k == reflect.Map {
			return
		}
		s.add(sl.at, "%s has no value", sl.path)
	default:
		s.add(sl.at, "%s has no value", sl.path)
	}
}

func emptyAt(n *yaml.Node) *yaml.Node {
	return &yaml.Node{Kind: yaml.MappingNode, Line: n.Line, Column: n.Column}
}

func (s *Section) fillStruct(n *yaml.Node, v reflect.Value, sl slot) {
	before, outside := s.load.harmful(), s.load.inside
	s.load.inside = 0
	if f, ok := special(v.Type(), isVal); ok && (n.Kind != yaml.MappingNode || !hasNames(v.Type())) {
		s.fillPlain(n, v, sl, f)
	} else if n.Kind != yaml.MappingNode {
		s.misplaced(n, sl, "a section (keys and values)")
		return
	} else {
		s.fillFields(n, v, sl)
	}
	all := s.load.harmful() - before
	own := all - s.load.inside
	s.load.inside = outside + all
	if own > 0 { // what a check finds in a struct that is half filled would mislead
		s.load.half = append(s.load.half, s.file+":"+sl.path)
		return
	}
	if c, ok := v.Addr().Interface().(checker); ok {
		c.Check(func(key, what string) {
			if key == "" && all > 0 { // what is said of all of it
				return
			}
			if !s.load.misleads(s.file + ":" + join(sl.path, key)) {
				s.problemBelow(n, sl.at, key, what)
			}
		})
		s.load.inside += s.load.harmful() - before - all
	}
	if d, ok := v.Addr().Interface().(doubter); ok && s.load.harmful() == before {
		d.Doubt(func(key, what string) { s.doubtBelow(n, sl.at, key, what) })
	}
}

// misleads tells whether a file's path lies in a struct that is half filled.
func (l *loading) misleads(path string) bool {
	return slices.ContainsFunc(l.half, func(h string) bool { return path == h || strings.HasPrefix(path, h+".") })
}

// harmful counts the problems that left a field unfilled.
func (l *loading) harmful() int { return len(l.problems) - l.harmless }

// fillPlain gives a value that stands in place of a struct to the field that takes it, and
// the other fields their defaults.
func (s *Section) fillPlain(n *yaml.Node, v reflect.Value, sl slot, plain Field) {
	s.fill(n, v.FieldByIndex(plain.index), slot{key: sl.key, path: sl.path, at: sl.at, rule: plain.rule})
	for _, f := range Fields(v.Type()) {
		if f.rule.hasFallback && !f.isVal {
			s.fill(fallbackNode(f, sl.at), v.FieldByIndex(f.index), slot{key: f.Name, path: join(sl.path, f.Name), at: sl.at, rule: f.rule})
		}
	}
}

func hasNames(t reflect.Type) bool { return len(keyNames(Fields(t))) > 0 }

// fillFields gives each key of a mapping to the field of its name.
func (s *Section) fillFields(n *yaml.Node, v reflect.Value, sl slot) {
	fields := Fields(v.Type())
	names := keyNames(fields)
	inline, takesRest := special(v.Type(), func(f Field) bool { return f.Inline })
	rest := emptyAt(n)
	meant := map[string]*yaml.Node{} // values of mistyped keys, by the key that was likely meant
	for i := 0; i+1 < len(n.Content); i += 2 {
		k, val := n.Content[i], n.Content[i+1]
		switch {
		case slices.Contains(names, k.Value):
		case takesRest:
			rest.Content = append(rest.Content, k, val)
		default:
			meant[reading.Nearest(k.Value, names)] = val
			s.load.harmless++
			s.add(k, "unknown key %q%s", k.Value, reading.DidYouMean(k.Value, names))
		}
	}
	for _, f := range fields {
		if f.Inline || f.isKey || f.isVal {
			continue
		}
		s.fillField(n, v.FieldByIndex(f.index), f, sl, meant[f.Name])
	}
	if takesRest {
		s.fill(rest, v.FieldByIndex(inline.index), slot{key: sl.key, path: sl.path, at: sl.at, rule: inline.rule})
	}
}

// fillField decodes one field from its key in n, or serves its absence. What stands under a
// key that is mistyped is looked through as well, and its field is not missing.
func (s *Section) fillField(n *yaml.Node, v reflect.Value, f Field, sl slot, mistyped *yaml.Node) {
	inner := slot{key: f.Name, path: join(sl.path, f.Name), at: sl.at, rule: f.rule}
	k, val := lookup(n, f.Name)
	switch {
	case k != nil && !(isNull(val) && f.rule.need && wide(v)):
		inner.at = k
		s.fill(val, v, inner)
	case mistyped != nil:
		inner.at = mistyped
		s.fill(mistyped, v, inner)
	case f.rule.need:
		s.add(sl.at, "%s is missing", inner.path)
	case f.rule.hasFallback:
		s.fill(fallbackNode(f, sl.at), v, inner)
	case v.Kind() == reflect.Struct && !isText(v):
		s.fillAbsent(v, inner)
	}
}

// fillAbsent decodes a section that is not there as if it were empty, for its defaults.
func (s *Section) fillAbsent(v reflect.Value, sl slot) {
	empty := emptyAt(sl.at)
	if !s.fillSection(empty, v, sl) {
		s.fillStruct(empty, v, sl)
	}
}

// wide tells types for which a key without a value is the same as no key.
func wide(v reflect.Value) bool {
	switch v.Kind() {
	case reflect.Struct, reflect.Slice, reflect.Map, reflect.Pointer:
		return true
	}
	return false
}

func isText(v reflect.Value) bool {
	_, ok := v.Addr().Interface().(encoding.TextUnmarshaler)
	return ok
}

// fallbackNode is what the file would hold if the default were written out.
func fallbackNode(f Field, at *yaml.Node) *yaml.Node {
	scalar := func(text string) *yaml.Node {
		return &yaml.Node{Kind: yaml.ScalarNode, Tag: "!!str", Value: text, Line: at.Line, Column: at.Column}
	}
	if f.Type.Kind() != reflect.Slice {
		return scalar(f.rule.fallback)
	}
	list := &yaml.Node{Kind: yaml.SequenceNode, Line: at.Line, Column: at.Column}
	for _, word := range strings.Fields(f.rule.fallback) {
		list.Content = append(list.Content, scalar(word))
	}
	return list
}

// fillSlice takes a list; a mapping too when the elements are structs that take their key,
// so that the order of the file is kept.
func (s *Section) fillSlice(n *yaml.Node, v reflect.Value, sl slot) {
	elem := v.Type().Elem()
	if key, ok := special(elem, isKey); ok {
		s.fillKeyed(n, v, sl, key)
		return
	}
	if n.Kind != yaml.SequenceNode {
		s.misplaced(n, sl, "a list")
		return
	}
	s.checkLength(len(n.Content), sl)
	list := reflect.MakeSlice(v.Type(), len(n.Content), len(n.Content))
	for i, c := range n.Content {
		index := fmt.Sprintf("[%d]", i)
		c = follow(c)
		s.fill(c, list.Index(i), slot{key: sl.key + index, path: sl.path + index, at: c, rule: sl.rule.ofElement()})
	}
	v.Set(list)
}

// fillKeyed decodes a mapping into a slice of structs in the order of the file.
func (s *Section) fillKeyed(n *yaml.Node, v reflect.Value, sl slot, key Field) {
	if n.Kind != yaml.MappingNode {
		s.misplaced(n, sl, "a section (keys and values)")
		return
	}
	s.checkLength(len(n.Content)/2, sl)
	list := reflect.MakeSlice(v.Type(), len(n.Content)/2, len(n.Content)/2)
	for i := range list.Len() {
		k, val := n.Content[2*i], follow(n.Content[2*i+1])
		inner := slot{key: k.Value, path: join(sl.path, k.Value), at: k}
		s.fill(val, list.Index(i), inner)
		s.fill(k, list.Index(i).FieldByIndex(key.index), slot{key: k.Value, path: inner.path, at: k, rule: key.rule})
	}
	v.Set(list)
}

func (s *Section) fillMap(n *yaml.Node, v reflect.Value, sl slot) {
	if n.Kind != yaml.MappingNode {
		s.misplaced(n, sl, "a section (keys and values)")
		return
	}
	s.checkLength(len(n.Content)/2, sl)
	t := v.Type()
	m := reflect.MakeMapWithSize(t, len(n.Content)/2)
	for i := 0; i+1 < len(n.Content); i += 2 {
		k, val := n.Content[i], follow(n.Content[i+1])
		inner := slot{key: k.Value, path: join(sl.path, k.Value), at: k}
		key, elem := reflect.New(t.Key()).Elem(), reflect.New(t.Elem()).Elem()
		s.fill(k, key, inner)
		inner.rule = sl.rule.ofElement()
		s.fill(val, elem, inner)
		if m.MapIndex(key).IsValid() {
			s.add(k, "key %s is given twice: it is the same number as another key", k.Value)
		}
		m.SetMapIndex(key, elem)
	}
	v.Set(m)
}

// join makes a path from that of a section and a key in it.
func join(path, key string) string {
	if path == "" {
		return key
	}
	return path + "." + key
}
