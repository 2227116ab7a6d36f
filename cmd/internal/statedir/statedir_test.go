package statedir

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"
)

// belief is a state like those that are kept.
type belief struct {
	N     int
	Notes []string           `json:",omitempty"`
	By    map[string]float64 `json:",omitempty"`
}

func open(t *testing.T, path string) *Dir {
	t.Helper()
	d, err := Open(path)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = d.Close() })
	return d
}

func save(t *testing.T, d *Dir, v any) {
	t.Helper()
	if err := d.Save("belief", v); err != nil {
		t.Fatal(err)
	}
}

// files lists a folder, without the lock.
func files(t *testing.T, path string) []string {
	t.Helper()
	names, err := folder{path: path}.list()
	if err != nil {
		t.Fatal(err)
	}
	return slices.DeleteFunc(names, func(n string) bool { return n == lockName })
}

func TestSaveAndLoad(t *testing.T) {
	t.Parallel()
	path := filepath.Join(t.TempDir(), "var", "state")
	d := open(t, path)
	got := belief{N: -1, Notes: []string{"left alone"}}
	if l := d.Load("belief", &got); l.Found || len(l.Problems) > 0 || got.N != -1 {
		t.Errorf("nothing was saved, but %+v gave %+v", l, got)
	}
	want := belief{N: 7, By: map[string]float64{"island": 0.5}}
	save(t, d, belief{N: 6})
	save(t, d, want)
	if l := d.Load("belief", &got); !l.Found || l.Older || len(l.Problems) > 0 || !reflect.DeepEqual(got, want) {
		t.Errorf("%+v gave %+v, want %+v", l, got, want)
	}
	if got := files(t, path); !slices.Equal(got, []string{"belief", "belief.1"}) {
		t.Errorf("files %v", got)
	}
	if info, err := os.Stat(path); err != nil || info.Mode().Perm() != 0o700 {
		t.Errorf("the folder is open to others: %v %v", info.Mode(), err)
	}
	if info, err := os.Stat(d.Path("belief")); err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("the file is open to others: %v %v", info.Mode(), err)
	}
}

func TestUnchangedIsNotWritten(t *testing.T) {
	t.Parallel()
	path := t.TempDir()
	d := open(t, path)
	save(t, d, belief{N: 1})
	once := d.Written()
	save(t, d, belief{N: 1})
	if d.Written() != once || once == 0 {
		t.Errorf("written %d, then %d", once, d.Written())
	}
	save(t, d, belief{N: 2})
	if d.Written() != 2*once {
		t.Errorf("written %d, want %d", d.Written(), 2*once)
	}
	if err := d.Close(); err != nil {
		t.Fatal(err)
	}

	d = open(t, path)
	var b belief
	d.Load("belief", &b)
	save(t, d, b)
	if d.Written() != 0 {
		t.Errorf("what was loaded was written again: %d bytes", d.Written())
	}
	if got := files(t, path); !slices.Equal(got, []string{"belief", "belief.1"}) {
		t.Errorf("files %v", got)
	}
}

// TestSavedAgainAfterDamage shows that what came from the older generation is not taken for
// saved: the newest has to be made anew.
func TestSavedAgainAfterDamage(t *testing.T) {
	t.Parallel()
	path := t.TempDir()
	d := open(t, path)
	save(t, d, belief{N: 1})
	save(t, d, belief{N: 2})
	overwrite(t, d.Path("belief"), []byte("gone"))
	var b belief
	if l := d.Load("belief", &b); !l.Older || b.N != 1 {
		t.Fatalf("%+v gave %+v", l, b)
	}
	save(t, d, belief{N: 2})
	if l := d.Load("belief", &b); !l.Found || l.Older || len(l.Problems) > 0 || b.N != 2 {
		t.Errorf("%+v gave %+v", l, b)
	}
}

// TestEveryTruncation cuts the newest file at each length: the older generation is used
// and the damage told, but for the whole file.
func TestEveryTruncation(t *testing.T) {
	t.Parallel()
	path := t.TempDir()
	d := open(t, path)
	save(t, d, belief{N: 1})
	save(t, d, belief{N: 2, Notes: []string{"a second note"}})
	whole := contents(t, d.Path("belief"))
	for n := range whole {
		damageTold(t, d, whole[:n], fmt.Sprintf("cut after %d bytes", n))
	}
	damageTold(t, d, append(slices.Clone(whole), '\n'), "a byte too many")
}

// TestEveryBitFlip turns each bit of the newest file once.
func TestEveryBitFlip(t *testing.T) {
	t.Parallel()
	d := open(t, t.TempDir())
	save(t, d, belief{N: 1})
	save(t, d, belief{N: 2})
	whole := contents(t, d.Path("belief"))
	for i := range 8 * len(whole) {
		flipped := slices.Clone(whole)
		flipped[i/8] ^= 1 << (i % 8)
		damageTold(t, d, flipped, fmt.Sprintf("bit %d flipped", i))
	}
}

// damageTold puts a damaged newest generation in place, and wants the older one instead.
func damageTold(t *testing.T, d *Dir, damaged []byte, what string) {
	t.Helper()
	overwrite(t, d.Path("belief"), damaged)
	var b belief
	l := d.Load("belief", &b)
	if !l.Found || !l.Older || b.N != 1 || len(l.Problems) != 1 {
		t.Fatalf("%s: %+v gave %+v", what, l, b)
	}
	if !strings.HasPrefix(l.Problems[0], d.Path("belief")+" is damaged") || !strings.Contains(l.Problems[0], "set aside as belief.damaged-") {
		t.Fatalf("%s: told as %q", what, l.Problems[0])
	}
	if _, err := os.Stat(d.Path("belief")); !errors.Is(err, fs.ErrNotExist) {
		t.Fatalf("%s: the damaged file is still there", what)
	}
}

func TestDamageIsToldInWords(t *testing.T) {
	t.Parallel()
	d := open(t, t.TempDir())
	foreign, _ := seal([]byte(`{"N": "one"}`))
	newer := fmt.Sprintf("%s 2 %s 2\n{}", magic, checksum(2, []byte("{}")))
	for text, want := range map[string]string{
		"":              "is damaged: it is empty",
		"{}":            "is damaged: its first line is not that of a state file",
		string(foreign): "is damaged: it holds something else: json: cannot unmarshal string into Go struct field belief.N of type int",
		newer:           "is damaged for this version: its format is 2, not 1",
		strings.Replace(string(foreign), "one", "two", 1):                    "is damaged: its check sum is wrong",
		strings.Replace(string(foreign), "one", "many", 1):                   "is damaged: it holds 13 bytes, not 12",
		strings.Replace(newer, magic+" 2", magic+" 99999999999999999999", 1): "is damaged: its check sum is wrong",
	} {
		overwrite(t, d.Path("belief"), []byte(text))
		b := belief{N: 5}
		l := d.Load("belief", &b)
		if l.Found || b.N != 5 || len(l.Problems) != 1 || !strings.HasPrefix(l.Problems[0], d.Path("belief")+" "+want+": it is set aside as ") {
			t.Errorf("%q: %+v gave %+v, want %s", text, l, b, want)
		}
	}
}

func TestBothGenerationsDamaged(t *testing.T) {
	t.Parallel()
	path := t.TempDir()
	d := open(t, path)
	for range 4 {
		overwrite(t, d.Path("belief"), []byte("x"))
		overwrite(t, d.Path("belief.1"), []byte("y"))
		var b belief
		if l := d.Load("belief", &b); l.Found || len(l.Problems) != 2 {
			t.Errorf("%+v", l)
		}
	}
	if got, want := files(t, path), []string{"belief.damaged-6", "belief.damaged-7", "belief.damaged-8"}; !slices.Equal(got, want) {
		t.Errorf("kept %v, want %v", got, want)
	}
}

func TestNamesStayInTheFolder(t *testing.T) {
	t.Parallel()
	d := open(t, t.TempDir())
	for _, name := range []string{"", "..", "a/b", ".hidden", "a.1", "Upper", lockName} {
		if err := d.Save(name, 1); err == nil {
			t.Errorf("saved as %q", name)
		}
		var x int
		if l := d.Load(name, &x); l.Found || len(l.Problems) != 1 {
			t.Errorf("loaded from %q: %+v", name, l)
		}
	}
}

func TestWhatCannotBeKept(t *testing.T) {
	t.Parallel()
	d := open(t, t.TempDir())
	err := d.Save("belief", map[string]any{"f": func() {}})
	if want := "cannot save " + d.Path("belief") + ": json: unsupported type: func()"; err == nil || err.Error() != want {
		t.Errorf("error %v, want %s", err, want)
	}
	save(t, d, belief{N: 1})
	if l := d.Load("belief", belief{}); l.Found || len(l.Problems) != 1 {
		t.Errorf("loaded into no pointer: %+v", l)
	}
}

func contents(t *testing.T, path string) []byte {
	t.Helper()
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return data
}

func overwrite(t *testing.T, path string, data []byte) {
	t.Helper()
	if err := os.WriteFile(path, data, 0o600); err != nil {
		t.Fatal(err)
	}
}

// FuzzUnseal takes any bytes for a file: they are whole, and then sealing gives them back,
// or they are damaged.
func FuzzUnseal(f *testing.F) {
	whole, _ := seal([]byte(`{"N":1}`))
	f.Add(whole)
	f.Add(whole[:len(whole)-1])
	f.Add([]byte(magic + " 1  0\n"))
	f.Add([]byte{})
	f.Fuzz(func(t *testing.T, data []byte) {
		payload, _, err := unseal(data)
		if err != nil {
			if !errors.Is(err, errDamaged) {
				t.Errorf("error %v is not told as damage", err)
			}
			return
		}
		if again, _ := seal(payload); string(again) != string(data) {
			t.Errorf("%q is not what sealing gives: %q", data, again)
		}
	})
}
