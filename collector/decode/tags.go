package decode

import (
	"cmp"
	"reflect"
	"strings"
	"time"
)

// Field is one field of a struct that keys decode into, as its tags tell.
type Field struct {
	Name   string // the key
	Type   reflect.Type
	Inline bool // takes the keys that no other field claims
	index  []int
	isKey  bool // takes the key under which the struct stands
	isVal  bool // takes a plain value that stands in place of the whole struct
	rule   rule
}

// rule is what the tags of a field demand of its value.
type rule struct {
	need     bool
	fallback string // decoded when the key is absent; see hasFallback
	limits   string // range
	length   string // len
	oneOf    []string
	isPath   bool
	secret   bool
	hint     string
	doc      string
	example  string
	// hasFallback tells an empty default from none.
	hasFallback bool
}

// Fields lists the fields of a struct type, those of embedded structs among them.
func Fields(t reflect.Type) []Field {
	var fields []Field
	for i := range t.NumField() {
		f := t.Field(i)
		name, option, _ := strings.Cut(f.Tag.Get("yaml"), ",")
		if f.Anonymous && name == "" && f.Type.Kind() == reflect.Struct {
			for _, inner := range Fields(f.Type) {
				inner.index = append([]int{i}, inner.index...)
				fields = append(fields, inner)
			}
			continue
		}
		if !f.IsExported() || name == "-" {
			continue
		}
		fields = append(fields, Field{
			Name:   cmp.Or(name, strings.ToLower(f.Name)),
			index:  []int{i},
			Type:   f.Type,
			Inline: option == "inline",
			isKey:  option == "key",
			isVal:  option == "value",
			rule:   ruleOf(f.Tag),
		})
	}
	return fields
}

func ruleOf(tag reflect.StructTag) rule {
	fallback, has := tag.Lookup("default")
	return rule{
		need:        tag.Get("need") == "true",
		fallback:    fallback,
		hasFallback: has,
		limits:      tag.Get("range"),
		length:      tag.Get("len"),
		oneOf:       strings.Fields(tag.Get("oneof")),
		isPath:      tag.Get("path") == "true",
		secret:      tag.Get("secret") == "true",
		hint:        tag.Get("hint"),
		doc:         tag.Get("doc"),
		example:     tag.Get("example"),
	}
}

// ofElement is what remains of a rule for each element of a list or mapping.
func (r rule) ofElement() rule {
	r.length, r.need, r.hasFallback = "", false, false
	return r
}

// special finds the field that the struct t marks as its key or value, if it is a struct.
func special(t reflect.Type, is func(Field) bool) (Field, bool) {
	if t.Kind() != reflect.Struct {
		return Field{}, false
	}
	for _, f := range Fields(t) {
		if is(f) {
			return f, true
		}
	}
	return Field{}, false
}

func isKey(f Field) bool { return f.isKey }
func isVal(f Field) bool { return f.isVal }

// keyNames lists the keys that a struct takes by name.
func keyNames(fields []Field) []string {
	var names []string
	for _, f := range fields {
		if !f.Inline && !f.isKey && !f.isVal {
			names = append(names, f.Name)
		}
	}
	return names
}

// Need tells whether the key must be there.
func (f Field) Need() bool { return f.rule.need }

// Doc is what the tag doc says of the key.
func (f Field) Doc() string { return f.rule.doc }

// Shown is the value that a reference gives the key: its default, or else its example.
func (f Field) Shown() string {
	if f.rule.hasFallback {
		return f.rule.fallback
	}
	return f.rule.example
}

// Remark is what a reference says of the key: what it is, and what its tags demand.
func (f Field) Remark() string {
	words := []string{f.rule.doc}
	if f.rule.need {
		words = append(words, "required")
	}
	if f.rule.limits != "" {
		words = append(words, f.limitWords())
	}
	if len(f.rule.oneOf) > 0 {
		words = append(words, "one of "+strings.Join(f.rule.oneOf, ", "))
	}
	if f.rule.length != "" && f.Type.Kind() == reflect.Slice {
		words = append(words, entries(f.rule.length)+" entries")
	}
	if f.rule.isPath {
		words = append(words, "relative to this file")
	}
	return strings.Join(words, "; ")
}

func (f Field) limitWords() string {
	low, high, _ := strings.Cut(f.rule.limits, "..")
	if f.Type == reflect.TypeFor[time.Duration]() || (low != "" && high != "") {
		return low + " to " + high
	}
	if low == "" {
		return "at most " + high
	}
	return "at least " + low
}
