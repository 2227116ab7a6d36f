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
	"time"

	"ebbwatch/collector/needtest"
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

// torn lists how much of a failing write reaches the disk: nothing, part of the first line,
// most of what counts, all of that.
func torn() []int { return []int{0, 10, 100, 1 << 20} }

// TestFailedWrite lets the write of a save fail. The error names the path, what was saved
// before stays, nothing that looks like damage is left, and the next save works.
func TestFailedWrite(t *testing.T) {
	t.Parallel()
	for _, torn := range torn() {
		path := t.TempDir()
		left := 0
		d := newDir(path, broken{folder: folder{path: path}, left: &left, torn: torn, err: syscall.ENOSPC})
		save(t, d, belief{N: 1})
		save(t, d, belief{N: 2})
		left = 1
		err := d.Save("belief", belief{N: 3})
		if !errors.Is(err, syscall.ENOSPC) || !strings.HasPrefix(err.Error(), "cannot save "+path+"/belief: ") {
			t.Errorf("error %v", err)
		}
		var b belief
		if l := open2(t, d).Load("belief", &b); !l.Found || b.N != 2 || len(l.Problems) > 0 {
			t.Errorf("%d bytes written: %+v gave %+v, want 2", torn, l, b)
		}
		save(t, d, belief{N: 4})
		if l := open2(t, d).Load("belief", &b); !l.Found || b.N != 4 || len(l.Problems) > 0 {
			t.Errorf("after the next save %+v gave %+v", l, b)
		}
	}
}

// TestEndWhileWriting ends the process in the write of a save: nothing after it happens, no
// clean-up either. Whoever opens the folder then finds one of the last two states, and is told
// of what was cut off.
func TestEndWhileWriting(t *testing.T) {
	t.Parallel()
	for _, torn := range torn() {
		path := t.TempDir()
		left := 0
		dead := newDir(path, &broken{folder: folder{path: path}, left: &left, torn: torn, err: errors.New("ended")})
		save(t, dead, belief{N: 1})
		save(t, dead, belief{N: 2})
		dead.disk.(*broken).forGood, left = true, 1
		if err := dead.Save("belief", belief{N: 3}); err == nil {
			t.Error("a save that ended midway says that it worked")
		}
		d := open(t, path)
		var b belief
		want, problems := 2, 0
		switch torn {
		case 100: // the first bytes of all files are the same
			problems = 1
		case 1 << 20:
			want = 3
		}
		if l := d.Load("belief", &b); !l.Found || b.N != want || len(l.Problems) != problems {
			t.Errorf("%d bytes written: %+v gave %+v", torn, l, b)
		}
		save(t, d, belief{N: 4})
		if l := open2(t, d).Load("belief", &b); !l.Found || b.N != 4 || len(l.Problems) > 0 {
			t.Errorf("after the next save %+v gave %+v", l, b)
		}
	}
}

// TestKilledMidway leaves the file that is being replaced as a process does that is killed before
// it comes to the first block: that is no damage, since what it held had been replaced before.
func TestKilledMidway(t *testing.T) {
	t.Parallel()
	d := open(t, t.TempDir())
	for n := range 3 {
		save(t, d, belief{N: n + 1, Notes: noise(20_000 + n)})
	}
	file := contents(t, d.Path("belief.1")) // of the second, the third being the first file
	copy(file[block:], noise(10_000)[0])
	overwrite(t, d.Path("belief.1"), file)
	var b belief
	if l := open2(t, d).Load("belief", &b); !l.Found || len(l.Problems) > 0 || b.N != 3 {
		t.Errorf("%+v gave %d, want 3 and nothing told", l, b.N)
	}
	save(t, d, belief{N: 4})
	if l := open2(t, d).Load("belief", &b); !l.Found || len(l.Problems) > 0 || b.N != 4 {
		t.Errorf("%+v gave %d, want 4", l, b.N)
	}
	overwrite(t, d.Path("belief.1"), file) // and of what would have been newer than a damaged one
	overwrite(t, d.Path("belief"), []byte("gone"))
	if l := open2(t, d).Load("belief", &b); l.Found || len(l.Problems) != 2 {
		t.Errorf("%+v, want both told", l)
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
	overwrite(t, d.Path("belief.1"), []byte("x"))
	d.disk.(*broken).forGood, left = true, 0
	var b belief
	l := d.Load("belief", &b)
	want := fmt.Sprintf("%s is damaged: its first line is not that of a state file: it is not used, and cannot be set aside: rename %s %s: read-only file system",
		d.Path("belief.1"), d.Path("belief.1"), d.Path("belief.damaged-1"))
	if !l.Found || b.N != 1 || !slices.Equal(l.Problems, []string{want}) {
		t.Errorf("%+v gave %+v, want %s", l, b, want)
	}
}

// TestFullDisk fills a real file system of 64 kB. It needs the right to mount one.
func TestFullDisk(t *testing.T) {
	path := t.TempDir()
	err := syscall.Mount("tmpfs", path, "tmpfs", 0, "size=64k")
	needtest.Need(t, fmt.Sprintf("the right to mount a small file system: %v", err), err == nil)
	t.Cleanup(func() {
		if err := syscall.Unmount(path, 0); err != nil {
			t.Error(err)
		}
	})
	d := open(t, path)
	save(t, d, belief{N: 1})
	save(t, d, belief{N: 2})
	err = d.Save("belief", belief{N: 3, Notes: noise(200_000)})
	if !errors.Is(err, syscall.ENOSPC) || !strings.HasPrefix(err.Error(), "cannot save "+path+"/belief: ") {
		t.Errorf("error %v", err)
	}
	var b belief
	if l := d.Load("belief", &b); !l.Found || b.N != 2 || len(l.Problems) > 0 {
		t.Errorf("%+v gave %+v", l, b)
	}
	save(t, d, belief{N: 3}) // what is small has room
	overwrite(t, filepath.Join(path, "fill"), nil)
	for err == nil || !errors.Is(err, syscall.ENOSPC) {
		err = fillUp(filepath.Join(path, "fill"))
	}
	for n := 4; n < 8; n++ { // in the place of what is there
		save(t, d, belief{N: n})
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

// fillUp writes until the disk is full.
func fillUp(file string) error {
	f, err := os.OpenFile(file, os.O_WRONLY|os.O_APPEND, 0)
	if err != nil {
		return err
	}
	defer f.Close()
	for err == nil {
		_, err = f.Write(make([]byte, block))
	}
	return err
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
		b.Notes = noise(b.N % 7 * 3000)
		save(t, d, b)
		fmt.Println("saved", b.N)
	}
}

// TestKilledWhileSaving kills a process that saves, again and again. No state that it said
// was saved may be lost, and none is told as damaged: what was cut off was to be replaced.
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

// TestKilledAtTheFirstSaves kills a process at about the time when it makes its files: none is
// found half made.
func TestKilledAtTheFirstSaves(t *testing.T) {
	t.Parallel()
	random := rand.New(rand.NewPCG(3, 4))
	none := 0
	for i := range 60 {
		path := t.TempDir()
		cmd := exec.Command(os.Args[0], "-test.run=^TestSaver$")
		cmd.Env = append(os.Environ(), saverFolder+"="+path)
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		for { // it is about to begin once it has the lock
			if _, err := os.Stat(filepath.Join(path, lockName)); err == nil {
				break
			}
			runtime.Gosched()
		}
		<-time.After(time.Duration(random.IntN(4000)) * time.Microsecond)
		_ = cmd.Process.Kill()
		_ = cmd.Wait() // it was killed
		d := open(t, path)
		var b belief
		l := d.Load("belief", &b)
		if len(l.Problems) > 0 {
			t.Fatalf("kill %d: %+v", i, l)
		}
		if !l.Found {
			none++
		}
	}
	t.Logf("%d of 60 had saved nothing yet", none)
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
