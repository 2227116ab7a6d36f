package decode

import (
	"net/netip"
	"reflect"
	"strings"
	"testing"
	"time"
)

// everything has a field of every type that keys decode into.
type everything struct {
	Text     string            `yaml:"text"`
	Flag     bool              `yaml:"flag"`
	Int      int               `yaml:"int"`
	Small    int8              `yaml:"small"`
	Word     uint16            `yaml:"word" range:"0..0x1000"`
	Ratio    float32           `yaml:"ratio"`
	Real     float64           `yaml:"real" range:"..10"`
	Span     time.Duration     `yaml:"span" range:"1s.."`
	Maybe    *float64          `yaml:"maybe"`
	Inner    *struct{ X int }  `yaml:"inner"`
	List     []int             `yaml:"list" range:"0..9" len:"1..3"`
	Words    []string          `yaml:"words" default:"gate island"`
	ByName   map[string]int    `yaml:"by_name"`
	ByNumber map[int]string    `yaml:"by_number"`
	Addr     netip.Addr        `yaml:"addr"`
	Raw      *Section          `yaml:"raw"`
	Code     string            `yaml:"code" secret:"true" len:"4"`
	One      int               `yaml:"one" oneof:"1200 9600" default:"9600"`
	Extra    map[string]string `yaml:",inline"`
}

// decode decodes text into a fresh T and gives the problems in one string.
func decode[T any](text string) (T, string) {
	var v T
	s := NewSection("f", []byte(text))
	_ = s.Decode(&v)
	var all []string
	for _, p := range s.Problems() {
		all = append(all, p.String())
	}
	return v, strings.Join(all, "\n")
}

func TestDecodeTypes(t *testing.T) {
	t.Parallel()
	half := 0.5
	for text, want := range map[string]everything{
		`text: 0123`:                    {Text: "0123"},
		`text: yes`:                     {Text: "yes"},
		`text: 1e3`:                     {Text: "1e3"},
		`text: 2026-01-01`:              {Text: "2026-01-01"},
		`text: !!str 5`:                 {Text: "5"},
		"text: |\n  two\n  lines":       {Text: "two\nlines"},
		`flag: true`:                    {Flag: true},
		`int: -0x10`:                    {Int: -16},
		`int: +5`:                       {Int: 5},
		`word: 0x0fff`:                  {Word: 4095},
		`small: -128`:                   {Small: -128},
		`ratio: 0.5`:                    {Ratio: 0.5},
		`real: -1.5e2`:                  {Real: -150},
		`real: 4`:                       {Real: 4},
		`real: 0x0a`:                    {Real: 10},
		`span: 1h30m`:                   {Span: 90 * time.Minute},
		`span: 2d`:                      {Span: 48 * time.Hour},
		`span: 1d12h`:                   {Span: 36 * time.Hour},
		`maybe: 0.5`:                    {Maybe: &half},
		`inner: {x: 3}`:                 {Inner: &struct{ X int }{3}},
		"inner:\n":                      {},
		`list: [1, 2]`:                  {List: []int{1, 2}},
		`words: [path]`:                 {Words: []string{"path"}},
		"words:\n":                      {Words: nil},
		`by_name: {gate: 1, island: 2}`: {ByName: map[string]int{"gate": 1, "island": 2}},
		`by_number: {1: bulk, 0x2: float}`: {
			ByNumber: map[int]string{1: "bulk", 2: "float"}},
		`addr: 10.20.0.1`:                    {Addr: netip.MustParseAddr("10.20.0.1")},
		`curr1: battery_amps`:                {Extra: map[string]string{"curr1": "battery_amps"}},
		`{by_name: &n {a: 1}, list: [&x 7]}`: {ByName: map[string]int{"a": 1}, List: []int{7}},
		`{int: &n 7, list: [*n, *n]}`:        {Int: 7, List: []int{7, 7}},
	} {
		got, problems := decode[everything](text)
		if problems != "" {
			t.Errorf("%s: %s", text, problems)
			continue
		}
		if want.Words == nil && !strings.HasPrefix(text, "words") {
			want.Words = []string{"gate", "island"}
		}
		if want.Extra == nil {
			want.Extra = map[string]string{}
		}
		want.One = 9600
		if !reflect.DeepEqual(got, want) {
			t.Errorf("%s: got %+v, want %+v", text, got, want)
		}
	}
}

func TestDecodeRefuses(t *testing.T) {
	t.Parallel()
	for text, want := range map[string]string{
		`text: [a]`:                   `f:1:1: text: a list stands where text belongs`,
		`text:`:                       `f:1:1: text has no value`,
		`text: null`:                  `f:1:1: text has no value`,
		`flag: yes`:                   `f:1:7: flag: "yes" is neither true nor false`,
		`flag: "true"`:                `f:1:7: flag: "true" is text: true or false is written without quotes`,
		`int: 1e3`:                    `f:1:6: int: 1e3 is not a whole number`,
		`int: 99999999999999999999`:   `f:1:6: int: 99999999999999999999 is too large a number`,
		`int: 007`:                    `f:1:6: int: 007 begins with a zero: write it without, or as 0x for hexadecimal`,
		`small: 128`:                  `f:1:8: small: 128 is too large a number`,
		`word: -1`:                    `f:1:7: word: -1 is below 0`,
		`word: 0x1001`:                `f:1:7: word: 0x1001 is outside 0..0x1000`,
		`ratio: 1e39`:                 `f:1:8: ratio: 1e39 is too large a number`,
		`real: 1e400`:                 `f:1:7: real: 1e400 is outside ..10`,
		`real: .nan`:                  `f:1:7: real: .nan is not a number`,
		`real: Infinity`:              `f:1:7: real: "Infinity" is not a number`,
		`real: 10.5`:                  `f:1:7: real: 10.5 is above 10`,
		`span: 999ms`:                 `f:1:7: span: 999ms is below 1s`,
		`span: 5 minutes`:             `f:1:7: span: 5 minutes is not a duration such as 10s, 5m, 1h30m or 2d`,
		`span: nand`:                  `f:1:7: span: "nand" is not a duration such as 10s, 5m, 1h30m or 2d`,
		`span: {}`:                    `f:1:1: span: a section stands where a duration such as 10s belongs`,
		`maybe:`:                      `f:1:1: maybe has no value`,
		`inner: {y: 1}`:               `f:1:9: unknown key "y" (did you mean "x"?)`,
		`list: []`:                    `f:1:1: list has 0 entries, 1 to 3 are needed`,
		`list: [1, 2, 3, 4]`:          `f:1:1: list has 4 entries, 1 to 3 are needed`,
		`list: [1, 10]`:               `f:1:11: list[1]: 10 is outside 0..9`,
		`list: 5`:                     `f:1:7: list: 5 stands where a list belongs`,
		`by_number: {one: bulk}`:      `f:1:13: one: "one" is not a whole number`,
		`by_number: {1: a, 0x1: b}`:   `f:1:19: key 0x1 is given twice: it is the same number as another key`,
		`addr: 10.20`:                 `f:1:7: addr: ParseAddr("10.20"): IPv4 address too short`,
		`code: hunter2`:               `f:1:7: code: the value (not shown) has 7 characters, 4 are needed`,
		`one: 4800`:                   `f:1:6: one: 4800 is not one of 1200, 9600`,
		`curr1: {}`:                   `f:1:1: curr1: a section stands where text belongs`,
		`{int: &n 70, list: [1, *n]}`: `f:1:7: list[1]: 70 is outside 0..9`,
		`[]`:                          `f:1:1: a list stands where a section (keys and values) belongs`,
		`text: ` + strings.Repeat("y", 50) + ` : `: `f:1:58: cannot read this as YAML: mapping values are not allowed in this context`,
		`flag: ` + strings.Repeat("y", 50):         `f:1:7: flag: "` + strings.Repeat("y", 40) + `…" is neither true nor false`,
	} {
		if _, got := decode[everything](text); got != want {
			t.Errorf("%s:\n got %s\nwant %s", text, got, want)
		}
	}
}

// host is one entry of a mapping whose order is kept.
type host struct {
	Name string `yaml:",key"`
	Addr string `yaml:",value"`
}

// nested asks about its fields on two levels.
type nested struct {
	Base
	Rows  []row   `yaml:"rows"`
	Hosts []host  `yaml:"hosts"`
	Peers []keyed `yaml:"peers"`
	Later Section `yaml:"later"`
}

// Base is embedded: its keys stand among the others.
type Base struct {
	Name string `yaml:"name" need:"true"`
}

type row struct {
	Address int `yaml:"address"`
}

func (r *row) Check(problem func(key, what string)) {
	if r.Address == 13 {
		problem("address", "13 is not used")
	}
}

func (n *nested) Check(problem func(key, what string)) {
	switch n.Name {
	case "deep":
		problem("rows[1].address", "is doubted")
		problem("rows[7].address", "is not there")
		problem("hosts.gate", "is shut")
		problem("nowhere.at.all", "is lost")
		problem("rows", "are many")
	case "whole":
		problem("", "nothing fits")
	}
}

// keyed takes the key it stands under, and has keys of its own.
type keyed struct {
	Name string  `yaml:",key"`
	Addr string  `yaml:",value"`
	Loss float64 `yaml:"loss" default:"0.5" range:"0..1"`
}

func TestCheckPointsAtKeys(t *testing.T) {
	t.Parallel()
	const others = "f:1:1: hosts.gate: is shut\nf:1:1: nowhere.at.all: is lost\nf:1:1: rows: are many\n"
	for text, want := range map[string]string{
		"name: deep\nrows:\n- address: 1\n- address: 2\nhosts:\n  gate: 10.0.0.1\n": "f:1:1: nowhere.at.all: is lost\n" +
			"f:2:1: rows: are many\nf:2:1: rows[7].address: is not there\nf:4:12: rows[1].address: is doubted\nf:6:9: hosts.gate: is shut",
		"name: whole":                      "f:1:1: nothing fits",
		"rows:\n- address: 13\nname: deep": others + "f:1:1: rows[1].address: is doubted\nf:1:1: rows[7].address: is not there\nf:2:12: address: 13 is not used", // the outer check is asked as well
		"rows:\n- address: 1\n- address: x\nname: deep": others + `f:1:1: rows[7].address: is not there
f:3:12: address: "x" is not a whole number`, // but for what it says of a row that is half filled
		"rows: []": "f:1:1: name is missing",
	} {
		if _, got := decode[nested](text); got != want {
			t.Errorf("%s:\n got %s\nwant %s", text, got, want)
		}
	}
}

// A mistyped key hides no other mistake: what stands under it is looked through, and the
// struct is still asked.
func TestMistypedKeysHideNothing(t *testing.T) {
	t.Parallel()
	for text, want := range map[string]string{
		"nme: whole": `f:1:1: nothing fits
f:1:1: unknown key "nme" (did you mean "name"?)`,
		"name: x\nrows: [{adress: 13}]": `f:2:8: address: 13 is not used
f:2:9: unknown key "adress" (did you mean "address"?)`,
		"name: whole\nzebra: 1\nrows: [{zebra: 2}]": `f:1:1: nothing fits
f:2:1: unknown key "zebra"
f:3:9: unknown key "zebra"`,
		"name: whole\nrows: [{address: x}]": `f:2:18: address: "x" is not a whole number`,
	} {
		if _, got := decode[nested](text); got != want {
			t.Errorf("%s:\n got %s\nwant %s", text, got, want)
		}
	}
}

func TestOrderedMappings(t *testing.T) {
	t.Parallel()
	got, problems := decode[nested]("name: x\nhosts: {slipway: a, gate: b, island: c}\npeers: {gate: {loss: 0.1}, island: 10.0.0.3}\n")
	if problems != "" {
		t.Fatal(problems)
	}
	if want := []host{{"slipway", "a"}, {"gate", "b"}, {"island", "c"}}; !reflect.DeepEqual(got.Hosts, want) {
		t.Errorf("hosts %v, want %v", got.Hosts, want)
	}
	if want := []keyed{{Name: "gate", Loss: 0.1}, {Name: "island", Addr: "10.0.0.3", Loss: 0.5}}; !reflect.DeepEqual(got.Peers, want) {
		t.Errorf("peers %v, want %v", got.Peers, want)
	}
	_, problems = decode[nested]("name: x\npeers: {gate: {loss: 2}}")
	if want := "f:2:22: loss: 2 is outside 0..1"; problems != want {
		t.Errorf("problems %s, want %s", problems, want)
	}
}

func TestSectionDecodedLater(t *testing.T) {
	t.Parallel()
	s := NewSection("f", []byte("name: x\nlater:\n  address: thirteen\n"))
	var n nested
	if err := s.Decode(&n); err != nil {
		t.Fatal(err)
	}
	if n.Later.Path() != "later" {
		t.Errorf("path %q", n.Later.Path())
	}
	var r row
	err := n.Later.Decode(&r)
	want := `f:3:12: address: "thirteen" is not a whole number`
	if err == nil || err.Error() != "cannot use the configuration: "+want {
		t.Errorf("error %v, want %s", err, want)
	}
	n.Later.Problem("", "the row is %s", "odd")
	n.Later.Problem("address", "is odd")
	want = "[f:2:1: the row is odd f:3:12: address: \"thirteen\" is not a whole number f:3:12: address: is odd]"
	if got := s.Problems(); len(got) != 3 || strings.Join([]string{got[0].String(), got[1].String(), got[2].String()}, " ") != strings.Trim(want, "[]") {
		t.Errorf("problems %v, want %s", got, want)
	}
}

// TestZeroSection shows that the section of no file can be used like an empty one.
func TestZeroSection(t *testing.T) {
	t.Parallel()
	var s Section
	var e everything
	if err := s.Decode(&e); err != nil || e.One != 9600 {
		t.Errorf("got %+v, %v", e, err)
	}
	var n nested
	if err := s.Decode(&n); err == nil || len(s.Problems()) != 1 {
		t.Errorf("error %v, problems %v", err, s.Problems())
	}
	if err := s.Decode(n); err == nil {
		t.Error("a value that cannot be filled was taken")
	}
}

// TestTagsThatCannotBeRead shows that a slip in a tag is a problem, not a crash.
func TestTagsThatCannotBeRead(t *testing.T) {
	t.Parallel()
	type slips struct {
		A int      `yaml:"a" range:"1-5"`
		B int      `yaml:"b" range:"one..two"`
		C int      `yaml:"c" default:"many"`
		D chan int `yaml:"d"`
	}
	_, got := decode[slips]("{a: 1, b: 1, d: 1}")
	want := `f:1:1: c: "many" is not a whole number
f:1:5: a: 1 has limits "1-5" that cannot be read
f:1:11: b: 1 has limits "one..two" that cannot be read
f:1:17: d: 1 cannot be decoded into the type chan int`
	if got != want {
		t.Errorf("got\n%s\nwant\n%s", got, want)
	}
}
