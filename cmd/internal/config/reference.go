package config

import (
	"encoding"
	"fmt"
	"reflect"
	"strings"

	"ebbwatch/alert"
	"ebbwatch/collector/decode"
)

// Reference is an annotated configuration with every key, made from the tags of the structs
// that decode it and the samples of the kinds. Keys that may be left out are commented out
// with their default or an example: taking away a # that one blank does not follow puts the
// key in use, all others begin remarks. Of the sources and channels the first is in use.
func Reference(kinds Kinds) string {
	r := &annotator{}
	r.line(0, "# Every key that ebbwatch reads. A key behind a # may be left out: it is shown with")
	r.line(0, "# its default, or with an example where it has none.")
	for _, f := range decode.Fields(typeOfConfig()) {
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
func (r *annotator) section(f decode.Field, kinds Kinds) {
	for _, remark := range wrap(f.Doc(), 90) {
		r.line(0, "# %s", remark)
	}
	switch f.Name {
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
	t := f.Type
	switch {
	case t.Kind() == reflect.Pointer:
		t = t.Elem()
	case f.Name == "alerts":
		t = reflect.TypeFor[alert.Config]()
	}
	switch {
	case t == reflect.TypeFor[decode.Section]():
		r.line(0, "#%s:", f.Name)
	case t.Kind() == reflect.Struct:
		r.group(f, t)
	default:
		r.line(0, "%s: %s", f.Name, f.Shown())
	}
}

// group writes a section and its keys. One that may be left out as a whole is commented out
// as a whole.
func (r *annotator) group(f decode.Field, t reflect.Type) {
	off := ""
	if !f.Need() {
		off = "#"
	}
	r.line(0, "%s%s:", off, f.Name)
	for _, inner := range decode.Fields(t) {
		before := off + "  "
		switch {
		case inner.Shown() == "":
			before += "# "
		case !f.Need(), inner.Need():
		default:
			before += "#"
		}
		r.line(0, "%s%s", before, entry(inner, inner.Shown()))
		r.below(off+"    ", inner.Type)
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
	for _, inner := range decode.Fields(t) {
		r.line(0, "%s# %s", before, entry(inner, inner.Shown()))
		r.below(before+"#   ", inner.Type)
	}
}

// entry is one key with its value and remark.
func entry(f decode.Field, value string) string {
	if value != "" {
		value = " " + value
	}
	return fmt.Sprintf("%s:%s  # %s", f.Name, value, f.Remark())
}

// sample is what a kind shows of itself.
type sample struct{ name, summary, yaml string }

// list writes sources or channels: one entry a kind, the first of them in use.
func (r *annotator) list(f decode.Field, samples []sample) {
	r.line(0, "%s:", f.Name)
	elem := decode.Fields(f.Type.Elem())
	for i, s := range samples {
		off, dash := "", "- "
		if i > 0 {
			off = "#"
		}
		r.line(1, "# %s: %s", s.name, s.summary)
		for _, inner := range elem {
			if inner.Inline {
				continue
			}
			value := inner.Shown()
			if inner.Name == "name" && i > 0 {
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
