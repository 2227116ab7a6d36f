package statedir

import (
	"errors"
	"fmt"
	"io/fs"
	"math/rand/v2"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"syscall"
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
	if l := d.Load("belief", &got); !l.Found || len(l.Problems) > 0 || !reflect.DeepEqual(got, want) {
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

// counting is a folder that counts what is written.
type counting struct {
	folder
	writes, bytes int
}

func (c *counting) write(name string, data []byte) error {
	c.writes++
	c.bytes += len(data)
	return c.folder.write(name, data)
}

func TestUnchangedIsNotWritten(t *testing.T) {
	t.Parallel()
	path := t.TempDir()
	disk := &counting{folder: folder{path: path}}
	d := newDir(path, disk)
	for _, c := range []struct{ n, writes int }{{1, 1}, {1, 1}, {2, 2}, {2, 2}} {
		if save(t, d, belief{N: c.n}); disk.writes != c.writes {
			t.Errorf("%d was saved in %d writes, want %d", c.n, disk.writes, c.writes)
		}
	}
	if disk.bytes != 2*block {
		t.Errorf("%d bytes were written, want two blocks", disk.bytes)
	}

	for _, load := range []bool{true, false} {
		d, disk.writes = newDir(path, disk), 0
		b := belief{N: 2}
		if load {
			d.Load("belief", &b)
		}
		if save(t, d, b); disk.writes != 0 {
			t.Errorf("what is there was written again, loaded before: %v", load)
		}
	}
	if got := files(t, path); !slices.Equal(got, []string{"belief", "belief.1"}) {
		t.Errorf("files %v", got)
	}
}

// TestWrittenInPlace shows that a save takes no new blocks of the disk, which costs a card
// many times more: both files stay what they are, also where the state grows smaller.
func TestWrittenInPlace(t *testing.T) {
	t.Parallel()
	d := open(t, t.TempDir())
	save(t, d, belief{N: 1, Notes: noise(50_000)})
	save(t, d, belief{N: 2, Notes: noise(50_000)})
	inode := func(file string) (uint64, int64) {
		info, err := os.Stat(d.Path(file))
		if err != nil {
			t.Fatal(err)
		}
		return info.Sys().(*syscall.Stat_t).Ino, info.Size()
	}
	a, sizeA := inode("belief")
	b, sizeB := inode("belief.1")
	for n := range 10 {
		want := belief{N: 3 + n, Notes: noise(5_000 * n)}
		save(t, d, want)
		var got belief
		if l := open2(t, d).Load("belief", &got); !l.Found || len(l.Problems) > 0 || !reflect.DeepEqual(got, want) {
			t.Fatalf("%+v gave %d, want %d", l, got.N, want.N)
		}
	}
	a2, sizeA2 := inode("belief")
	b2, sizeB2 := inode("belief.1")
	if a != a2 || b != b2 || sizeA != sizeA2 || sizeB != sizeB2 || sizeA%block != 0 || sizeA > 100_000 {
		t.Errorf("the files were %d of %d bytes and %d of %d, are %d of %d and %d of %d", a, sizeA, b, sizeB, a2, sizeA2, b2, sizeB2)
	}
}

// open2 looks into the folder of another as the next process would.
func open2(t *testing.T, d *Dir) *Dir {
	t.Helper()
	return newDir(d.path, folder{path: d.path})
}

// noise is text that cannot be packed much.
func noise(n int) []string {
	random, text := rand.New(rand.NewPCG(uint64(n), 2)), make([]byte, n)
	for i := range text {
		text[i] = "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789+/"[random.IntN(64)]
	}
	return []string{string(text)}
}

// TestSavedAgainAfterDamage shows that what came from the older file is not taken for what was
// saved last: that has to be made anew.
func TestSavedAgainAfterDamage(t *testing.T) {
	t.Parallel()
	path := t.TempDir()
	d := open(t, path)
	save(t, d, belief{N: 1})
	save(t, d, belief{N: 2})
	overwrite(t, d.Path("belief.1"), []byte("gone"))
	var b belief
	if l := d.Load("belief", &b); !l.Found || len(l.Problems) != 1 || b.N != 1 {
		t.Fatalf("%+v gave %+v", l, b)
	}
	save(t, d, belief{N: 2})
	if l := d.Load("belief", &b); !l.Found || len(l.Problems) > 0 || b.N != 2 {
		t.Errorf("%+v gave %+v", l, b)
	}
}

// TestEveryTruncation cuts the newer file at each length: the older is used and the damage
// told, unless all that counts is there.
func TestEveryTruncation(t *testing.T) {
	t.Parallel()
	d, whole, counts := twice(t)
	for n := range counts {
		damageTold(t, d, whole[:n], fmt.Sprintf("cut after %d bytes", n))
	}
	for _, data := range [][]byte{whole[:counts], whole, append(slices.Clone(whole), "what was longer before"...)} {
		overwrite(t, d.Path("belief.1"), data)
		var b belief
		if l := d.Load("belief", &b); !l.Found || len(l.Problems) > 0 || b.N != 2 {
			t.Errorf("%d bytes of %d, %d of which count: %+v gave %+v", len(data), len(whole), counts, l, b)
		}
	}
}

// TestEveryBitFlip turns each bit that counts of the newer file once.
func TestEveryBitFlip(t *testing.T) {
	t.Parallel()
	d, whole, counts := twice(t)
	for i := range 8 * counts {
		flipped := slices.Clone(whole)
		flipped[i/8] ^= 1 << (i % 8)
		damageTold(t, d, flipped, fmt.Sprintf("bit %d flipped", i))
	}
}

// twice saves 1 and 2, and gives the newer file and how many bytes of it count.
func twice(t *testing.T) (d *Dir, whole []byte, counts int) {
	t.Helper()
	d = open(t, t.TempDir())
	save(t, d, belief{N: 1})
	save(t, d, belief{N: 2, Notes: []string{"a second note"}})
	whole = contents(t, d.Path("belief.1"))
	line, rest, _ := strings.Cut(string(whole), "\n")
	var size int
	if _, err := fmt.Sscanf(strings.Fields(line)[3], "%d", &size); err != nil || strings.Trim(rest[size:], "\x00") != "" {
		t.Fatal(line, err)
	}
	return d, whole, len(line) + 1 + size
}

// damageTold puts a damaged newer file in place, and wants the older one instead.
func damageTold(t *testing.T, d *Dir, damaged []byte, what string) {
	t.Helper()
	overwrite(t, d.Path("belief.1"), damaged)
	var b belief
	l := d.Load("belief", &b)
	if !l.Found || b.N != 1 || len(l.Problems) != 1 {
		t.Fatalf("%s: %+v gave %+v", what, l, b)
	}
	if !strings.HasPrefix(l.Problems[0], d.Path("belief.1")+" is damaged") || !strings.Contains(l.Problems[0], "set aside as belief.damaged-") {
		t.Fatalf("%s: told as %q", what, l.Problems[0])
	}
	if _, err := os.Stat(d.Path("belief.1")); !errors.Is(err, fs.ErrNotExist) {
		t.Fatalf("%s: the damaged file is still there", what)
	}
}

// sealed is a whole file.
func sealed(t testing.TB, number int64, payload string) string {
	t.Helper()
	data, err := seal(number, []byte(payload))
	if err != nil {
		t.Fatal(err)
	}
	return string(data)
}

// first is a whole file of the first version.
func first(payload string) string {
	tail := strconv.Itoa(len(payload))
	return fmt.Sprintf("%s 1 %s %s\n%s", magic, checksum(1, tail, []byte(payload)), tail, payload)
}

// TestFirstVersion takes up the two files of the first version, where their names told which
// is newer, and goes on in their place.
func TestFirstVersion(t *testing.T) {
	t.Parallel()
	d := open(t, t.TempDir())
	overwrite(t, d.Path("belief"), []byte(first(`{"N": 2}`)))
	overwrite(t, d.Path("belief.1"), []byte(first(`{"N": 1}`)))
	for want := 2; want < 6; want++ {
		var b belief
		if l := open2(t, d).Load("belief", &b); !l.Found || len(l.Problems) > 0 || b.N != want {
			t.Fatalf("%+v gave %+v, want %d", l, b, want)
		}
		save(t, d, belief{N: want + 1})
	}
}

func TestDamageIsToldInWords(t *testing.T) {
	t.Parallel()
	d := open(t, t.TempDir())
	foreign := first(`{"N": "one"}`)
	newer := fmt.Sprintf("%s 3 %s 2\n{}", magic, checksum(3, "2", []byte("{}")))
	for text, want := range map[string]string{
		"":                   "is damaged: it is empty",
		"{}":                 "is damaged: its first line is not that of a state file",
		foreign:              "is damaged: it holds something else: json: cannot unmarshal string into Go struct field belief.N of type int",
		sealed(t, 1, "[]"):   "is damaged: it holds something else: json: cannot unmarshal array into Go value of type statedir.belief",
		newer:                "is damaged for this version: its format is 3, not 2",
		newer[:len(newer)-1]: "is damaged: it holds 1 bytes, not 2",
		strings.Replace(foreign, "one", "two", 1):                            "is damaged: its check sum is wrong",
		strings.Replace(foreign, "one", "many", 1):                           "is damaged: it holds 13 bytes, not 12",
		strings.Replace(newer, magic+" 3", magic+" 99999999999999999999", 1): "is damaged: its check sum is wrong",
	} {
		overwrite(t, d.Path("belief"), []byte(text))
		b := belief{N: 5}
		l := d.Load("belief", &b)
		if l.Found || b.N != 5 || len(l.Problems) != 1 || !strings.HasPrefix(l.Problems[0], d.Path("belief")+" "+want+": it is set aside as ") {
			t.Errorf("%q: %+v gave %+v, want %s", text, l, b, want)
		}
	}
}

func TestBothFilesDamaged(t *testing.T) {
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

// FuzzUnseal takes any bytes for a file: they are whole, and then sealing what they hold gives
// a file that holds the same, or they are damaged.
func FuzzUnseal(f *testing.F) {
	whole := sealed(f, 7, `{"N":1}`)
	f.Add([]byte(whole))
	f.Add([]byte(whole[:100]))
	f.Add([]byte(first(`{"N":1}`)))
	f.Add([]byte(magic + " 2  0 1\n"))
	f.Add([]byte{})
	f.Fuzz(func(t *testing.T, data []byte) {
		payload, number, err := unseal(data)
		if err != nil {
			if !errors.Is(err, errDamaged) {
				t.Errorf("error %v is not told as damage", err)
			}
			return
		}
		again, err := seal(number, payload)
		if err != nil {
			t.Fatal(err)
		}
		payload2, number2, err := unseal(again)
		if err != nil || string(payload2) != string(payload) || number2 != number {
			t.Errorf("%q of %d became %q of %d, %v", payload, number, payload2, number2, err)
		}
	})
}
