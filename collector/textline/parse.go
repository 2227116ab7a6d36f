package textline

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"unicode/utf8"

	"ebbwatch/collector/reading"
)

// What a frame may hold at most; more than that is noise without an end.
const (
	maxLine  = 512
	maxBlock = 4096
)

// errSum is about a frame whose check is not right.
var errSum = errors.New("the check is wrong")

// frame is one complete frame: its values, or why they must not be used. Beside values, an
// error is about other fields of the same frame.
type frame struct {
	values []reading.Value
	err    error
}

// parser cuts a stream of bytes into frames. It begins in the middle of anything: bytes up
// to the first place where a frame can begin are passed over, and so are those after noise.
// Its memory is bounded whatever comes.
type parser struct {
	l       layout
	raw     []byte // the line, or the block up to now
	line    int    // where in raw the present line begins
	whole   bool   // the present line began at its beginning
	synced  bool   // so did the block
	sumNext bool   // the next byte is the check itself
	last    byte   // that was taken
	pair    bool   // it ends a line together with the one before
}

// feed takes bytes as they come and gives the frames that they complete.
func (p *parser) feed(chunk []byte) (out []frame) {
	for _, b := range chunk {
		f, done := p.next(b)
		if done {
			out = append(out, f)
		}
	}
	return out
}

// next takes one byte.
func (p *parser) next(b byte) (frame, bool) {
	p.pair, p.last = p.last == '\r' && b == '\n', b
	if p.sumNext {
		p.sumNext = false
		return p.endBlock(p.raw, []byte{b})
	}
	if len(p.raw) >= maxBlock || len(p.raw)-p.line >= maxLine {
		p.restart(false)
		p.whole = false
	}
	if p.l.enclosed {
		return p.nextEnclosed(b)
	}
	p.raw = append(p.raw, b)
	if b != '\n' && b != '\r' {
		p.sumNext = p.l.check.Written == "byte" && len(p.l.checkLine) > 0 && bytes.Equal(p.raw[p.line:], p.l.checkLine)
		return frame{}, false
	}
	line, whole := p.raw[p.line:len(p.raw)-1], p.whole
	p.whole = true
	if p.l.block {
		return p.endBlockLine(line, whole)
	}
	p.restart(true)
	if !whole || len(line) == 0 {
		return frame{}, false
	}
	return p.lineFrame(line)
}

// The bytes that enclose a frame (ISO 646).
const (
	stx = 0x02
	etx = 0x03
)

// nextEnclosed takes one byte of a stream whose frames stand between STX and ETX; what lies
// between two frames belongs to none.
func (p *parser) nextEnclosed(b byte) (frame, bool) {
	switch {
	case b == stx:
		p.restart(true)
		p.whole = true
	case b == etx && p.whole:
		line := p.raw
		p.restart(true)
		p.whole = false
		return p.lineFrame(line)
	case p.whole:
		p.raw = append(p.raw, b)
	}
	return frame{}, false
}

// restart begins a frame anew. The slice with the old bytes is left to whoever reads it.
func (p *parser) restart(synced bool) { p.raw, p.line, p.synced = nil, 0, synced }

// endBlockLine handles the end of one line of a block.
func (p *parser) endBlockLine(line []byte, whole bool) (frame, bool) {
	at := p.line
	p.line = len(p.raw)
	written := p.l.check.Written != "byte"
	switch {
	case whole && len(p.l.begin) > 0 && bytes.HasPrefix(line, p.l.begin):
		return p.beginBlock(at)
	case len(p.l.checkLine) > 0 && written && bytes.HasPrefix(line, p.l.checkLine):
		return p.endBlock(p.raw[:at+len(p.l.checkLine)], line[len(p.l.checkLine):])
	case len(p.l.end) > 0 && bytes.HasPrefix(line, p.l.end):
		return p.endBlock(p.raw, nil)
	case p.l.endEmpty && len(line) == 0 && !p.pair:
		return p.endBlock(p.raw[:at], nil)
	case !p.synced, len(line) == 0 && at == 0 && (written || len(p.l.checkLine) == 0):
		p.restart(p.synced) // what comes before a block belongs to none
	}
	return frame{}, false
}

// beginBlock handles a line that begins a block. Where nothing else ends a block, it ends
// the one before.
func (p *parser) beginBlock(at int) (frame, bool) {
	before, was := p.raw[:at], p.synced
	first := bytes.Clone(p.raw[at:])
	p.raw, p.line, p.synced = first, len(first), true
	if !was || p.l.endEmpty || len(p.l.end) > 0 || len(p.l.checkLine) > 0 {
		return frame{}, false // the block before never came to its end
	}
	return p.read(before)
}

// endBlock handles the end of a block; sum is the check as it was written.
func (p *parser) endBlock(covered, sum []byte) (frame, bool) {
	was := p.synced
	p.restart(len(p.l.begin) == 0)
	if !was {
		return frame{}, false
	}
	if p.l.sum == nil {
		return p.read(covered)
	}
	if p.l.check.Written != "byte" {
		sum = bytes.TrimSpace(sum)
	}
	if err := p.verify(covered, sum); err != nil {
		return frame{err: err}, true
	}
	return p.read(covered)
}

// lineFrame reads a frame of one line. Lines that do not begin as they should are others'.
func (p *parser) lineFrame(line []byte) (frame, bool) {
	if !bytes.HasPrefix(line, p.l.begin) {
		return frame{}, false
	}
	if p.l.sum == nil {
		return p.read(line[len(p.l.begin):])
	}
	at := bytes.LastIndex(line, []byte(p.l.check.Mark))
	if at < len(p.l.begin) {
		return frame{err: fmt.Errorf("%w: there is none in %q", errSum, line)}, true
	}
	if err := p.verify(line[:at], bytes.TrimSpace(line[at+len(p.l.check.Mark):])); err != nil {
		return frame{err: err}, true
	}
	return p.read(line[len(p.l.begin):at])
}

func (p *parser) verify(covered, sum []byte) error {
	if p.l.check.Bare {
		covered = bytes.TrimPrefix(covered, p.l.begin)
	}
	got, ok := readSum(sum, p.l.check.Written)
	if want := p.l.sum(covered); !ok || got != want {
		return fmt.Errorf("%w: %q, computed %#x", errSum, sum, want)
	}
	return nil
}

// read takes the values out of a frame whose check is right or that has none.
func (p *parser) read(text []byte) (frame, bool) {
	b := builder{l: &p.l, known: map[string]bool{}}
	for line := range bytes.FieldsFuncSeq(text, func(r rune) bool { return r == '\n' || r == '\r' }) {
		b.line(asText(line))
	}
	err := errors.Join(b.errs...)
	if err != nil && p.l.sum == nil {
		b.values = nil // without a check, one bad number makes its neighbours doubtful
	}
	return frame{values: b.values, err: err}, len(b.values) > 0 || err != nil
}

// builder collects the values of one frame.
type builder struct {
	l      *layout
	known  map[string]bool
	values []reading.Value
	errs   []error
}

func (b *builder) line(text string) {
	if strings.ContainsFunc(text, func(r rune) bool { return r < ' ' && r != '\t' || r == 0x7f }) {
		b.errs = append(b.errs, fmt.Errorf("noise in the line %q", text))
		return
	}
	if b.l.json {
		b.object(text)
		return
	}
	if b.l.columns > 0 {
		cols := split(text, b.l.between)
		if len(b.l.widths) > 0 {
			cols = cut(text, b.l.widths)
		}
		if len(cols) != b.l.columns {
			b.errs = append(b.errs, fmt.Errorf("%d columns instead of %d in the line %q", len(cols), b.l.columns, text))
			return
		}
		for i, c := range cols {
			b.add(fmt.Sprint(i+1), c)
		}
		return
	}
	pieces := []string{text}
	if b.l.between != "" {
		pieces = split(text, b.l.between)
	}
	for _, piece := range pieces {
		if key, value, ok := strings.Cut(strings.TrimSpace(piece), b.l.separator); ok {
			b.add(strings.TrimSpace(key), value)
		}
	}
}

func (b *builder) add(key, text string) {
	f, ok := b.l.fields[key]
	if !ok {
		return
	}
	if b.known[key] {
		b.errs = append(b.errs, fmt.Errorf("%s comes twice in one frame%s", key, map[bool]string{true: ": name it by its whole path"}[b.l.json]))
		return
	}
	b.known[key] = true
	x, known, err := f.value(text, b.l.decimal)
	switch {
	case err != nil:
		b.errs = append(b.errs, fmt.Errorf("%s: %w", key, err))
	case !known:
	case !f.quantity.Possible(x):
		b.errs = append(b.errs, fmt.Errorf("%s: %v cannot be %g", key, f.quantity, x))
	default:
		b.values = append(b.values, reading.Value{Quantity: f.quantity, X: x})
	}
}

// object takes the fields out of a JSON object. Other lines are a device's own words.
func (b *builder) object(text string) {
	if !strings.HasPrefix(strings.TrimSpace(text), "{") {
		return
	}
	d := json.NewDecoder(strings.NewReader(text))
	d.UseNumber()
	var v any
	if err := d.Decode(&v); err != nil {
		b.errs = append(b.errs, fmt.Errorf("no JSON object in the line %q: %w", text, err))
		return
	}
	b.walk("", "", v)
}

// walk looks for the fields below one value of an object. What is null was not measured.
func (b *builder) walk(path, key string, v any) {
	switch v := v.(type) {
	case map[string]any:
		for _, k := range slices.Sorted(maps.Keys(v)) {
			b.walk(strings.TrimPrefix(path+"."+k, "."), k, v[k])
		}
	case []any:
		for i, x := range v {
			b.walk(fmt.Sprintf("%s.%d", path, i), key, x)
		}
	case nil:
	default:
		if path != key {
			b.add(path, fmt.Sprint(v))
		}
		b.add(key, fmt.Sprint(v))
	}
}

// cut parts a line by the widths of its columns; the last may be shorter. One column more or
// less tells that the line is not of these widths.
func cut(text string, widths []int) (cols []string) {
	runes := []rune(text)
	for _, w := range widths {
		if len(runes) == 0 {
			return cols
		}
		n := min(w, len(runes))
		cols, runes = append(cols, string(runes[:n])), runes[n:]
	}
	if len(runes) > 0 {
		cols = append(cols, string(runes))
	}
	return cols
}

// split parts a line. Spaces may come in any number.
func split(text, between string) []string {
	if strings.TrimSpace(between) == "" && between != "\t" {
		return strings.Fields(text)
	}
	return strings.Split(text, between)
}

// asText reads bytes as UTF-8, and as ISO 8859-1 where they are not: a lone 0xB0 is the
// degree sign of many small devices.
func asText(b []byte) string {
	if utf8.Valid(b) {
		return string(b)
	}
	runes := make([]rune, len(b))
	for i, c := range b {
		runes[i] = rune(c)
	}
	return string(runes)
}
