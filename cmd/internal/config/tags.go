package config

import (
	"cmp"
	"reflect"
	"strings"
)

// field is one field of a struct that keys decode into, as its tags tell.
type field struct {
	name   string
	index  []int
	typ    reflect.Type
	inline bool // takes the keys that no other field claims
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

// fieldsOf lists the fields of a struct type, those of embedded structs among them.
func fieldsOf(t reflect.Type) []field {
	var fields []field
	for i := range t.NumField() {
		f := t.Field(i)
		name, option, _ := strings.Cut(f.Tag.Get("yaml"), ",")
		if f.Anonymous && name == "" && f.Type.Kind() == reflect.Struct {
			for _, inner := range fieldsOf(f.Type) {
				inner.index = append([]int{i}, inner.index...)
				fields = append(fields, inner)
			}
			continue
		}
		if !f.IsExported() || name == "-" {
			continue
		}
		fields = append(fields, field{
			name:   cmp.Or(name, strings.ToLower(f.Name)),
			index:  []int{i},
			typ:    f.Type,
			inline: option == "inline",
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
func special(t reflect.Type, is func(field) bool) (field, bool) {
	if t.Kind() != reflect.Struct {
		return field{}, false
	}
	for _, f := range fieldsOf(t) {
		if is(f) {
			return f, true
		}
	}
	return field{}, false
}

func isKey(f field) bool { return f.isKey }
func isVal(f field) bool { return f.isVal }

// keyNames lists the keys that a struct takes by name.
func keyNames(fields []field) []string {
	var names []string
	for _, f := range fields {
		if !f.inline && !f.isKey && !f.isVal {
			names = append(names, f.name)
		}
	}
	return names
}
