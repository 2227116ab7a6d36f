package config

import (
	"encoding"
	"fmt"
	"reflect"
	"strings"
	"time"

	"ebbwatch/alert"
)

// Reference is an annotated configuration with every key, made from the tags of the structs
// that decode it and the samples of the kinds. Keys that may be left out are commented out
// with their default or an example: taking away a # that one blank does not follow puts the
// key in use, all others begin remarks. Of the sources and channels the first is in use.
func Reference(kinds Kinds) string {
	r := &annotator{}
	r.line(0, "# Every key that ebbwatch reads. A key behind a # may be left out: it is shown with")
	r.line(0, "# its default, or with an example where it has none.")
	for _, f := range fieldsOf(typeOfConfig()) {
		r.line(0, "")
		r.section(f, kinds)
	}
	return r.text.String()
}

// annotator collects the lines of the reference.
type annotator struct {
	text strings.Builder
}

// line writes one line, indented by two blanks a level.
func (r *annotator) line(level int, format string, args ...any) {
	text := fmt.Sprintf(format, args...)
	if text != "" {
		r.text.WriteString(strings.Repeat("  ", level))
	}
	r.text.WriteString(text + "\n")
}

// section writes one key of the top with all that is below it.
func (r *annotator) section(f field, kinds Kinds) {
	for _, remark := range wrap(f.rule.doc, 90) {
		r.line(0, "# %s", remark)
	}
	switch f.name {
	case "sources":
		var samples []sample
		for _, k := range kinds.Sources {
			samples = append(samples, sample{k.Name, k.Summary, k.Sample})
		}
		r.list(f, samples)
		return
	case "notify":
		var samples []sample
		for _, k := range kinds.Channels {
			samples = append(samples, sample{k.Name, k.Summary, k.Sample})
		}
		r.list(f, samples)
		return
	}
	t := f.typ
	switch {
	case t.Kind() == reflect.Pointer:
		t = t.Elem()
	case f.name == "alerts":
		t = reflect.TypeFor[alert.Config]()
	}
	switch {
	case t == reflect.TypeFor[Section]():
		r.line(0, "#%s:", f.name)
	case t.Kind() == reflect.Struct:
		r.group(f, t)
	default:
		r.line(0, "%s: %s", f.name, shown(f))
	}
}

// group writes a section and its keys. One that may be left out as a whole is commented out
// as a whole.
func (r *annotator) group(f field, t reflect.Type) {
	off := ""
	if !f.rule.need {
		off = "#"
	}
	r.line(0, "%s%s:", off, f.name)
	for _, inner := range fieldsOf(t) {
		before := off + "  "
		switch {
		case shown(inner) == "":
			before += "# "
		case !f.rule.need, inner.rule.need:
		default:
			before += "#"
		}
		r.line(0, "%s%s", before, entry(inner, shown(inner)))
		r.below(off+"    ", inner.typ)
	}
}

// below lists, as remarks, the keys of a section inside a section: they belong together in
// ways that one line each cannot show in use.
func (r *annotator) below(before string, t reflect.Type) {
	for t.Kind() == reflect.Pointer || t.Kind() == reflect.Slice {
		t = t.Elem()
	}
	_, text := reflect.New(t).Interface().(encoding.TextUnmarshaler)
	if t.Kind() != reflect.Struct || text {
		return
	}
	for _, inner := range fieldsOf(t) {
		r.line(0, "%s# %s", before, entry(inner, shown(inner)))
		r.below(before+"#   ", inner.typ)
	}
}

// entry is one key with its value and remark.
func entry(f field, value string) string {
	if value != "" {
		value = " " + value
	}
	return fmt.Sprintf("%s:%s  # %s", f.name, value, remark(f))
}

// sample is what a kind shows of itself.
type sample struct{ name, summary, yaml string }

// list writes sources or channels: one entry a kind, the first of them in use.
func (r *annotator) list(f field, samples []sample) {
	r.line(0, "%s:", f.name)
	elem := fieldsOf(f.typ.Elem())
	for i, s := range samples {
		off, dash := "", "- "
		if i > 0 {
			off = "#"
		}
		r.line(1, "# %s: %s", s.name, s.summary)
		for _, inner := range elem {
			if inner.inline {
				continue
			}
			value := shown(inner)
			if inner.name == "name" && i > 0 {
				value = fmt.Sprintf("%s%d", s.name, i)
			}
			r.line(1, "%s%s%s", off, dash, entry(inner, value))
			dash = "  "
		}
		r.sample(off, s)
	}
}

// sample writes what a kind shows of itself, with the name of the kind above it unless the
// sample begins with that.
func (r *annotator) sample(off string, s sample) {
	below := "  "
	if !strings.HasPrefix(s.yaml, s.name+":") {
		r.line(1, "%s  %s:", off, s.name)
		below = "    "
	}
	for text := range strings.Lines(strings.TrimRight(s.yaml, "\n") + "\n") {
		r.line(1, "%s%s%s", off, below, strings.TrimRight(text, "\n"))
	}
}

// shown is the value that the reference gives a key.
func shown(f field) string {
	switch {
	case f.rule.hasFallback:
		return f.rule.fallback
	case f.rule.example != "":
		return f.rule.example
	}
	return ""
}

// remark is what the reference says of a key: what it is, and what its tags demand.
func remark(f field) string {
	words := []string{f.rule.doc}
	if f.rule.need {
		words = append(words, "required")
	}
	if f.rule.limits != "" {
		words = append(words, limitWords(f))
	}
	if len(f.rule.oneOf) > 0 {
		words = append(words, "one of "+strings.Join(f.rule.oneOf, ", "))
	}
	if f.rule.length != "" && f.typ.Kind() == reflect.Slice {
		words = append(words, entries(f.rule.length)+" entries")
	}
	if f.rule.isPath {
		words = append(words, "relative to this file")
	}
	return strings.Join(words, "; ")
}

func limitWords(f field) string {
	low, high, _ := strings.Cut(f.rule.limits, "..")
	if f.typ == reflect.TypeFor[time.Duration]() || (low != "" && high != "") {
		return low + " to " + high
	}
	if low == "" {
		return "at most " + high
	}
	return "at least " + low
}

// wrap breaks a text into lines of at most a width.
func wrap(text string, width int) []string {
	var lines []string
	line := ""
	for _, word := range strings.Fields(text) {
		if line != "" && len(line)+1+len(word) > width {
			lines = append(lines, line)
			line = ""
		}
		line = strings.TrimSpace(line + " " + word)
	}
	if line == "" {
		return lines
	}
	return append(lines, line)
}
