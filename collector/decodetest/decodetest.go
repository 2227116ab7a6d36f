// Package decodetest is a small stand-in for the configuration's decoder, for the tests
// of sources: strict YAML with the tags need, default, range and oneof, the options
// inline, key and value, and the Check method. The real decoder also knows lines and
// columns.
package decodetest

import (
	"encoding"
	"errors"
	"fmt"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"time"

	"go.yaml.in/yaml/v3"
)

// Section is one section of a configuration, as YAML. It meets collector.Decoder.
type Section struct {
	YAML     string
	Files    map[string]string // other files, by their path
	Problems []string          // what was reported, as "key: what"
}

// Decode fills the struct that v points to.
func (s *Section) Decode(v any) error { return s.read(s.YAML, v) }

// File fills v from another file of the section.
func (s *Section) File(key, path string, v any) error {
	text, ok := s.Files[path]
	if !ok {
		s.Problem(key, "cannot read %s", path)
		return errors.New("there were problems")
	}
	return s.read(text, v)
}

// Problem records what is wrong at a key.
func (s *Section) Problem(key, format string, args ...any) {
	s.Problems = append(s.Problems, key+": "+fmt.Sprintf(format, args...))
}

func (s *Section) read(text string, v any) error {
	before := len(s.Problems)
	var doc yaml.Node
	if err := yaml.Unmarshal([]byte(text), &doc); err != nil {
		s.Problem("", "%v", err)
		return err
	}
	root := &yaml.Node{Kind: yaml.MappingNode}
	if len(doc.Content) > 0 {
		root = doc.Content[0]
	}
	s.fill(root, reflect.ValueOf(v).Elem(), "", "")
	if len(s.Problems) > before {
		return errors.New("there were problems")
	}
	return nil
}

// fill decodes n into v; key is where it stands, tag what its field demands.
func (s *Section) fill(n *yaml.Node, v reflect.Value, key string, tag reflect.StructTag) {
	_, isText := v.Addr().Interface().(encoding.TextUnmarshaler)
	switch k := v.Kind(); {
	case isText:
		s.scalar(n, v, key, tag)
	case k == reflect.Pointer:
		v.Set(reflect.New(v.Type().Elem()))
		s.fill(n, v.Elem(), key, tag)
	case k == reflect.Struct:
		s.fillStruct(n, v, key)
	case k == reflect.Map && n.Kind == yaml.MappingNode:
		v.Set(reflect.MakeMap(v.Type()))
		for i := 0; i < len(n.Content); i += 2 {
			x, name := reflect.New(v.Type().Elem()).Elem(), reflect.New(v.Type().Key()).Elem()
			s.fill(n.Content[i+1], x, join(key, n.Content[i].Value), "")
			s.fill(n.Content[i], name, key, "")
			v.SetMapIndex(name, x)
		}
	case k == reflect.Slice && n.Kind == yaml.MappingNode: // written as a mapping
		for i := 0; i < len(n.Content); i += 2 {
			x := reflect.New(v.Type().Elem()).Elem()
			s.fill(n.Content[i+1], x, join(key, n.Content[i].Value), "")
			if f := marked(x, "key"); f.IsValid() {
				f.SetString(n.Content[i].Value)
			}
			v.Set(reflect.Append(v, x))
		}
	case k == reflect.Slice && n.Kind == yaml.SequenceNode:
		v.Set(reflect.MakeSlice(v.Type(), len(n.Content), len(n.Content)))
		for i, c := range n.Content {
			s.fill(c, v.Index(i), fmt.Sprintf("%s[%d]", key, i), "")
		}
	default:
		s.scalar(n, v, key, tag)
	}
}

func (s *Section) fillStruct(n *yaml.Node, v reflect.Value, key string) {
	before := len(s.Problems)
	rest := &yaml.Node{Kind: yaml.MappingNode}
	if n.Kind != yaml.MappingNode {
		plain := marked(v, "value")
		if !plain.IsValid() {
			s.Problem(key, "a section belongs here")
			return
		}
		s.fill(n, plain, key, "")
		n = rest
	}
	used := s.fillNamed(n, v, key)
	for i := 0; i < len(n.Content); i += 2 {
		if !slices.Contains(used, n.Content[i].Value) {
			rest.Content = append(rest.Content, n.Content[i:i+2]...)
		}
	}
	if all := marked(v, "inline"); all.IsValid() {
		s.fill(rest, all, key, "")
	} else if len(rest.Content) > 0 {
		s.Problem(key, "unknown key %q", rest.Content[0].Value)
	}
	c, ok := v.Addr().Interface().(interface {
		Check(problem func(key, what string))
	})
	if ok && len(s.Problems) == before {
		c.Check(func(k, what string) { s.Problem(join(key, k), "%s", what) })
	}
}

// fillNamed fills the fields that have names, and tells which.
func (s *Section) fillNamed(n *yaml.Node, v reflect.Value, key string) (names []string) {
	for i := range v.NumField() {
		f := v.Type().Field(i)
		name, option, _ := strings.Cut(f.Tag.Get("yaml"), ",")
		if !f.IsExported() || option != "" || name == "-" {
			continue
		}
		names = append(names, name)
		at := slices.IndexFunc(n.Content, func(c *yaml.Node) bool { return c.Value == name })
		fallback, has := f.Tag.Lookup("default")
		switch {
		case at >= 0 && at%2 == 0:
			s.fill(n.Content[at+1], v.Field(i), join(key, name), f.Tag)
		case f.Tag.Get("need") == "true":
			s.Problem(join(key, name), "is missing")
		case has:
			s.fill(&yaml.Node{Kind: yaml.ScalarNode, Value: fallback}, v.Field(i), join(key, name), f.Tag)
		case f.Type.Kind() == reflect.Struct:
			s.fillStruct(&yaml.Node{Kind: yaml.MappingNode}, v.Field(i), join(key, name))
		}
	}
	return names
}

// marked finds the field with an option in its yaml tag.
func marked(v reflect.Value, option string) reflect.Value {
	for i := range v.NumField() {
		if _, o, _ := strings.Cut(v.Type().Field(i).Tag.Get("yaml"), ","); o == option {
			return v.Field(i)
		}
	}
	return reflect.Value{}
}

func (s *Section) scalar(n *yaml.Node, v reflect.Value, key string, tag reflect.StructTag) {
	err := error(nil)
	if v.Kind() == reflect.String && n.Kind == yaml.ScalarNode {
		v.SetString(n.Value)
	} else {
		err = n.Decode(v.Addr().Interface())
	}
	switch oneOf := strings.Fields(tag.Get("oneof")); {
	case err != nil:
		s.Problem(key, "%v", err)
	case len(oneOf) > 0 && !slices.Contains(oneOf, fmt.Sprint(v.Interface())):
		s.Problem(key, "%v is not one of %s", v.Interface(), strings.Join(oneOf, ", "))
	case !within(v, tag.Get("range")):
		s.Problem(key, "%v is outside %s", v.Interface(), tag.Get("range"))
	}
}

func within(v reflect.Value, limits string) bool {
	low, high, ok := strings.Cut(limits, "..")
	x := 0.0
	switch {
	case !ok:
		return true
	case v.CanInt():
		x = float64(v.Int())
	case v.CanFloat():
		x = v.Float()
	}
	return (low == "" || x >= bound(low)) && (high == "" || x <= bound(high))
}

func bound(text string) float64 {
	if d, err := time.ParseDuration(text); err == nil {
		return float64(d)
	}
	x, err := strconv.ParseFloat(text, 64)
	if err != nil {
		panic("cannot read the bound " + text)
	}
	return x
}

func join(path, key string) string {
	if path == "" || key == "" {
		return path + key
	}
	return path + "." + key
}
