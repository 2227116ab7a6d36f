package statedir

import (
	"bufio"
	"errors"
	"fmt"
	"io/fs"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"testing"
)

// broken is a real folder whose operations fail from the nth on: one of them (a full disk
// that was freed again), or all that follow (a process that ended there).
type broken struct {
	folder
	left    *int
	forGood bool
	torn    int // bytes of a failing write that reach the disk
	err     error
}

func (b broken) fails() bool {
	*b.left--
	return *b.left == 0 || b.forGood && *b.left < 0
}

func (b broken) write(name string, data []byte) error {
	if b.fails() {
		if !b.forGood || *b.left == 0 {
			_ = b.folder.write(name, data[:min(b.torn, len(data))])
		}
		return &fs.PathError{Op: "write", Path: b.in(name), Err: b.err}
	}
	return b.folder.write(name, data)
}

func (b broken) rename(from, to string) error {
	if b.fails() {
		return &os.LinkError{Op: "rename", Old: b.in(from), New: b.in(to), Err: b.err}
	}
	return b.folder.rename(from, to)
}

func (b broken) remove(name string) error {
	if b.forGood && b.fails() {
		return &fs.PathError{Op: "remove", Path: b.in(name), Err: b.err}
	}
	return b.folder.remove(name)
}

func (b broken) sync() error {
	if b.fails() {
		return &fs.PathError{Op: "sync", Path: b.path, Err: b.err}
	}
	return b.folder.sync()
}

// TestEveryStepFails lets each step of a save fail once. The error names the path, a valid
// generation stays, and the next save works.
func TestEveryStepFails(t *testing.T) {
	t.Parallel()
	const steps = 4 // write, rename, rename, sync
	for step := 1; step <= steps; step++ {
		for _, torn := range []int{0, 10, 1 << 20} {
			path := t.TempDir()
			left := 0
			d := newDir(path, broken{folder: folder{path: path}, left: &left, torn: torn, err: syscall.ENOSPC})
			save(t, d, belief{N: 1})
			save(t, d, belief{N: 2})
			left = step
			err := d.Save("belief", belief{N: 3})
			if !errors.Is(err, syscall.ENOSPC) || !strings.HasPrefix(err.Error(), "cannot save "+path+"/belief: ") {
				t.Errorf("step %d: error %v", step, err)
			}
			want := 2
			if step == steps {
				want = 3 // in place, if not yet for certain
			}
			var b belief
			if l := d.Load("belief", &b); !l.Found || b.N != want || len(l.Problems) > 0 {
				t.Errorf("step %d: %+v gave %+v, want %d", step, l, b, want)
			}
			for _, name := range files(t, path) {
				if strings.HasSuffix(name, tempSuffix) {
					t.Errorf("step %d left %s", step, name)
				}
			}
			save(t, d, belief{N: 4})
			if l := d.Load("belief", &b); !l.Found || l.Older || b.N != 4 {
				t.Errorf("step %d: after the next save %+v gave %+v", step, l, b)
			}
		}
	}
}

// TestEndAtEveryStep ends the process at each step of a save: nothing after it happens, no
// clean-up either. Whoever opens the folder then finds one of the last two states.
func TestEndAtEveryStep(t *testing.T) {
	t.Parallel()
	for step := 1; step <= 5; step++ {
		for _, torn := range []int{0, 10, 1 << 20} {
			path := t.TempDir()
			left := 0
			dead := newDir(path, &broken{folder: folder{path: path}, left: &left, torn: torn, err: errors.New("ended")})
			save(t, dead, belief{N: 1})
			save(t, dead, belief{N: 2})
			dead.disk.(*broken).forGood, left = true, step
			err := dead.Save("belief", belief{N: 3})
			d := open(t, path)
			var b belief
			if l := d.Load("belief", &b); !l.Found || b.N != 2 && b.N != 3 || len(l.Problems) > 0 || err == nil && b.N != 3 {
				t.Errorf("step %d: %+v gave %+v", step, l, b)
			}
			if got := files(t, path); slices.ContainsFunc(got, func(n string) bool { return strings.HasSuffix(n, tempSuffix) }) {
				t.Errorf("step %d: opening left %v", step, got)
			}
		}
	}
}

// TestReadOnlyFolder shows that damage is told and the older generation used even where
// nothing can be renamed.
func TestReadOnlyFolder(t *testing.T) {
	t.Parallel()
	path := t.TempDir()
	left := 0
	d := newDir(path, &broken{folder: folder{path: path}, left: &left, err: syscall.EROFS})
	save(t, d, belief{N: 1})
	save(t, d, belief{N: 2})
	overwrite(t, d.Path("belief"), []byte("x"))
	d.disk.(*broken).forGood, left = true, 0
	var b belief
	l := d.Load("belief", &b)
	want := fmt.Sprintf("%s is damaged: its first line is not that of a state file: it is not used, and cannot be set aside: rename %s %s: read-only file system",
		d.Path("belief"), d.Path("belief"), d.Path("belief.damaged-1"))
	if !l.Older || b.N != 1 || !slices.Equal(l.Problems, []string{want}) {
		t.Errorf("%+v gave %+v, want %s", l, b, want)
	}
}

// TestFullDisk fills a real file system of 64 kB. It needs the right to mount one.
func TestFullDisk(t *testing.T) {
	path := t.TempDir()
	if err := syscall.Mount("tmpfs", path, "tmpfs", 0, "size=64k"); err != nil {
		needs(t, "the right to mount a small file system: %v", err)
	}
	t.Cleanup(func() {
		if err := syscall.Unmount(path, 0); err != nil {
			t.Error(err)
		}
	})
	d := open(t, path)
	save(t, d, belief{N: 1})
	save(t, d, belief{N: 2})
	before := files(t, path)
	err := d.Save("belief", belief{N: 3, Notes: []string{strings.Repeat("x", 100_000)}})
	if !errors.Is(err, syscall.ENOSPC) || !strings.HasPrefix(err.Error(), "cannot save "+path+"/belief: ") {
		t.Errorf("error %v", err)
	}
	if got := files(t, path); !slices.Equal(got, before) {
		t.Errorf("files %v, before %v", got, before)
	}
	var b belief
	if l := d.Load("belief", &b); !l.Found || l.Older || b.N != 2 || len(l.Problems) > 0 {
		t.Errorf("%+v gave %+v", l, b)
	}
}

func TestSecondOpener(t *testing.T) {
	t.Parallel()
	path := t.TempDir()
	d := open(t, path)
	save(t, d, belief{N: 1})
	_, err := Open(path)
	want := fmt.Sprintf("cannot use state folder %s: another ebbwatch (pid %d) is using it", path, os.Getpid())
	if !errors.Is(err, ErrInUse) || err.Error() != want {
		t.Errorf("error %v, want %s", err, want)
	}
	if err := d.Close(); err != nil {
		t.Fatal(err)
	}
	again := open(t, path)
	var b belief
	if l := again.Load("belief", &b); !l.Found || b.N != 1 {
		t.Errorf("%+v gave %+v", l, b)
	}
}

func TestFolderThatCannotBeUsed(t *testing.T) {
	t.Parallel()
	path := filepath.Join(t.TempDir(), "file")
	overwrite(t, path, nil)
	_, err := Open(path)
	if want := "cannot use state folder " + path + ": it is not a folder"; err == nil || err.Error() != want || errors.Is(err, ErrInUse) {
		t.Errorf("error %v, want %s", err, want)
	}
	if _, err := Open(filepath.Join(path, "below")); err == nil || !strings.HasPrefix(err.Error(), "cannot use state folder "+path+"/below: ") {
		t.Errorf("error %v", err)
	}
}

// saverFolder, when set, makes the test binary a process that saves without end.
const saverFolder = "EBBWATCH_TEST_SAVER"

// TestSaver is that process; it says each number once it is saved.
func TestSaver(t *testing.T) {
	path := os.Getenv(saverFolder)
	if path == "" {
		return // this run is not that process
	}
	d := open(t, path)
	var b belief
	l := d.Load("belief", &b)
	for _, p := range l.Problems {
		fmt.Println("problem", p)
	}
	for {
		b.N++
		b.Notes = []string{strings.Repeat("x", b.N%7*3000)}
		save(t, d, b)
		fmt.Println("saved", b.N)
	}
}

// TestKilledWhileSaving kills a process that saves, again and again. No state that it said
// was saved may be lost, and none may be damaged.
func TestKilledWhileSaving(t *testing.T) {
	if runtime.GOOS == "windows" {
		t.Skip("skipped: needs a kill that cannot be caught")
	}
	kills := 200
	if text := os.Getenv("EBBWATCH_KILLS"); text != "" {
		var err error
		if kills, err = strconv.Atoi(text); err != nil {
			t.Fatal(err)
		}
	}
	path := t.TempDir()
	random := rand.New(rand.NewPCG(1, 2))
	saved := 0
	for i := range kills {
		saved = saveAndEnd(t, path, saved, 1+random.IntN(3), (*os.Process).Kill)
		d := open(t, path)
		var b belief
		l := d.Load("belief", &b)
		if !l.Found || len(l.Problems) > 0 || b.N < saved {
			t.Fatalf("kill %d: %+v gave %d, but %d was saved", i, l, b.N, saved)
		}
		if err := d.Close(); err != nil {
			t.Fatal(err)
		}
		saved = b.N
	}
	if saved < kills {
		t.Errorf("only %d saves in %d lives", saved, kills)
	}
}

// saveAndEnd starts the saving process, ends it after some saves, and gives the last number
// that it said was saved.
func saveAndEnd(t *testing.T, path string, saved, after int, end func(*os.Process) error) int {
	t.Helper()
	cmd := exec.Command(os.Args[0], "-test.run=^TestSaver$")
	cmd.Env = append(os.Environ(), saverFolder+"="+path)
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	lines := bufio.NewScanner(out)
	for n := 0; lines.Scan(); {
		number, ok := strings.CutPrefix(lines.Text(), "saved ")
		if !ok && n >= after {
			continue // it complains that its disk is gone
		}
		if !ok {
			t.Fatalf("the saving process says %s", lines.Text())
		}
		if saved, err = strconv.Atoi(number); err != nil {
			t.Fatal(err)
		}
		if n++; n == after {
			if err := end(cmd.Process); err != nil {
				t.Fatal(err)
			}
		}
	}
	if err := cmd.Wait(); err == nil {
		t.Fatal("the saving process ended by itself")
	}
	return saved
}
