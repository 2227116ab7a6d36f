// Package decodetest is a small stand-in for the configuration's decoder, for the tests
// of sources: strict YAML, the default and need tags, and the Check method. The real
// decoder also knows lines and columns and the other tags.
package decodetest

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"reflect"
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
func (s *Section) Decode(v any) error { return s.fill(s.YAML, v) }

// File fills v from another file of the section.
func (s *Section) File(key, path string, v any) error {
	text, ok := s.Files[path]
	if !ok {
		s.Problem(key, "cannot read %s", path)
		return errors.New("there were problems")
	}
	return s.fill(text, v)
}

// Problem records what is wrong at a key.
func (s *Section) Problem(key, format string, args ...any) {
	s.Problems = append(s.Problems, key+": "+fmt.Sprintf(format, args...))
}

func (s *Section) fill(text string, v any) error {
	before := len(s.Problems)
	setDefaults(reflect.ValueOf(v).Elem())
	d := yaml.NewDecoder(bytes.NewReader([]byte(text)))
	d.KnownFields(true)
	if err := d.Decode(v); err != nil && !errors.Is(err, io.EOF) {
		s.Problem("", "%v", err)
	}
	s.needs(reflect.ValueOf(v).Elem())
	if c, ok := v.(interface {
		Check(problem func(key, what string))
	}); ok && len(s.Problems) == before {
		c.Check(func(key, what string) { s.Problem(key, "%s", what) })
	}
	if len(s.Problems) > before {
		return errors.New("there were problems")
	}
	return nil
}

// setDefaults fills what carries a default tag, as YAML would.
func setDefaults(v reflect.Value) {
	if v.Kind() != reflect.Struct || v.Type() == reflect.TypeFor[time.Time]() {
		return
	}
	for i := range v.NumField() {
		if !v.Field(i).CanSet() {
			continue
		}
		if text, ok := v.Type().Field(i).Tag.Lookup("default"); ok {
			if err := yaml.Unmarshal([]byte(text), v.Field(i).Addr().Interface()); err != nil {
				panic(fmt.Sprintf("default of %s: %v", v.Type().Field(i).Name, err))
			}
			continue
		}
		setDefaults(v.Field(i))
	}
}

func (s *Section) needs(v reflect.Value) {
	if v.Kind() != reflect.Struct {
		return
	}
	for i := range v.NumField() {
		f := v.Type().Field(i)
		if f.Tag.Get("need") == "true" && v.Field(i).IsZero() {
			s.Problem(f.Tag.Get("yaml"), "is needed")
		}
	}
}
