package statedir

import (
	"cmp"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"sync"
)

// ErrInUse is what [Open] wraps when another process owns the folder.
var ErrInUse = errors.New("in use")

// Dir is an open state folder. Its methods may be called from several goroutines.
type Dir struct {
	path    string
	disk    disk
	release func() error
	away    error // why the folder could not be opened; nil once it was

	mu     sync.Mutex
	newest map[string]stored // what is on disk, by name, where that is known
}

// stored is the newest state on disk under a name.
type stored struct {
	file   string
	number int64
	sum    [sha256.Size]byte // of the JSON
}

// Open takes a folder into possession, and makes it when it is missing. A second daemon
// gets an error that wraps [ErrInUse] and names the first. Leftovers of a write that a power
// cut ended are removed.
func Open(path string) (*Dir, error) {
	folder, err := openFolder(path)
	if err != nil {
		return nil, fmt.Errorf("cannot use state folder %s: %w", path, err)
	}
	d := newDir(path, folder)
	d.release = folder.release
	return d, nil
}

// OpenOrWait is [Open] for a daemon that goes on without its card: where the folder cannot be used,
// such as on a card that is away or read-only, what can be read is read, and each save tries to
// take it into possession again. It fails only with [ErrInUse].
func OpenOrWait(path string) (*Dir, error) {
	d, err := Open(path)
	if err == nil || errors.Is(err, ErrInUse) {
		return d, err
	}
	return &Dir{path: path, disk: folder{path: path}, newest: map[string]stored{}, away: err}, nil
}

// Away says why the folder cannot be used; nil where it can.
func (d *Dir) Away() error {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.away
}

// comeBack takes a folder into possession that could not be opened before.
func (d *Dir) comeBack() error {
	if d.away == nil {
		return nil
	}
	folder, err := openFolder(d.path)
	if err != nil {
		d.away = err
		return err
	}
	fresh := newDir(d.path, folder)
	d.disk, d.release, d.away, d.newest = fresh.disk, folder.release, nil, fresh.newest
	return nil
}

func newDir(path string, disk disk) *Dir {
	d := &Dir{path: path, disk: disk, newest: map[string]stored{}}
	names, _ := disk.list() // a folder that cannot be listed says so at the first save
	for _, name := range names {
		if strings.HasPrefix(name, ".") && strings.HasSuffix(name, tempSuffix) {
			_ = disk.remove(name) // in the way of nothing if it stays
		}
	}
	return d
}

const (
	tempSuffix = ".tmp"
	second     = ".1" // of the second of the two files
)

// Close gives the folder free.
func (d *Dir) Close() error {
	if d.release == nil {
		return nil
	}
	if err := d.release(); err != nil {
		return fmt.Errorf("cannot release state folder %s: %w", d.path, err)
	}
	return nil
}

// Path is the path of a file in the folder.
func (d *Dir) Path(name string) string { return filepath.Join(d.path, name) }

// Save replaces what is kept under a name by v, as JSON. When it returns without an error, v
// survives a power cut. Nothing is written when v is what was saved last. After an error
// what was kept before is still there.
func (d *Dir) Save(name string, v any) error {
	if err := d.save(name, v); err != nil {
		return fmt.Errorf("cannot save %s: %w", d.Path(name), err)
	}
	return nil
}

func (d *Dir) save(name string, v any) error {
	if err := plain(name); err != nil {
		return err
	}
	payload, err := json.Marshal(v)
	if err != nil {
		return err
	}
	next := stored{file: name, number: 1, sum: sha256.Sum256(payload)}
	d.mu.Lock()
	defer d.mu.Unlock()
	if err := d.comeBack(); err != nil {
		return err
	}
	if last, known := d.last(name); known {
		if last.sum == next.sum {
			return nil
		}
		next.number = last.number + 1
		if last.file == name {
			next.file = name + second
		}
	}
	data, err := seal(next.number, payload)
	if err != nil {
		return err
	}
	if err := d.disk.write(next.file, data); err != nil {
		// What is half written would be taken for damage, and may fill the disk.
		if gone := d.disk.remove(next.file); gone != nil && !errors.Is(gone, fs.ErrNotExist) {
			err = errors.Join(err, gone)
		}
		return err
	}
	d.newest[name] = next
	return nil
}

// last is the newest state on disk under a name.
func (d *Dir) last(name string) (stored, bool) {
	if last, known := d.newest[name]; known {
		return last, true
	}
	if found := generations(d.disk, name); len(found) > 0 && found[0].err == nil {
		d.newest[name] = found[0].stored()
	}
	last, known := d.newest[name]
	return last, known
}

// generation is one of the two files of a state, as it was read.
type generation struct {
	file    string
	number  int64
	payload []byte
	err     error
}

func (g generation) stored() stored { return stored{g.file, g.number, sha256.Sum256(g.payload)} }

// generations reads what is there of the two files: the newest first, and what cannot be used
// last.
func generations(disk disk, name string) []generation {
	var out []generation
	for _, file := range []string{name, name + second} {
		data, err := disk.read(file)
		if errors.Is(err, fs.ErrNotExist) {
			continue
		}
		g := generation{file: file, err: err}
		if err == nil {
			g.payload, g.number, g.err = unseal(data)
		}
		out = append(out, g)
	}
	slices.SortStableFunc(out, func(a, b generation) int {
		switch {
		case a.err == nil && b.err != nil:
			return -1
		case a.err != nil && b.err == nil:
			return 1
		}
		return cmp.Compare(b.number, a.number)
	})
	return out
}

// superseded tells of what is damaged that it was to be replaced anyway: its number is less than
// that of a state that is whole. A process that was killed while it wrote leaves that.
func (g generation) superseded(by stored) bool { return g.number > 0 && g.number < by.number }

// Loaded is the outcome of a load.
type Loaded struct {
	Found    bool     // the value was filled
	Problems []string // what was damaged or could not be read, for people
}

// Load fills what v points to from what was saved under a name. v is replaced as a whole, or
// left alone when nothing usable is found. A damaged file is set aside as
// NAME.damaged-NUMBER, the newest three of them kept, and the other is used.
func (d *Dir) Load(name string, v any) Loaded {
	if err := plain(name); err != nil {
		return Loaded{Problems: []string{fmt.Sprintf("cannot load %s: %s", d.Path(name), err)}}
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	delete(d.newest, name)
	var out Loaded
	for _, g := range generations(d.disk, name) {
		if g.err == nil && !out.Found {
			if g.err = decode(g.payload, v); g.err == nil {
				out.Found, d.newest[name] = true, g.stored()
			}
		}
		switch {
		case g.err == nil || out.Found && g.superseded(d.newest[name]):
		case errors.Is(g.err, errDamaged):
			out.Problems = append(out.Problems, fmt.Sprintf("%s %s: %s", d.Path(g.file), g.err, d.setAside(name, g.file)))
		default:
			out.Problems = append(out.Problems, fmt.Sprintf("cannot read %s: %s", d.Path(g.file), g.err))
		}
	}
	return out
}

// decode fills v; v is left alone when that fails.
func decode(payload []byte, v any) error {
	target := reflect.ValueOf(v)
	if target.Kind() != reflect.Pointer || target.IsNil() {
		return fmt.Errorf("a pointer is needed, not %T", v)
	}
	fresh := reflect.New(target.Type().Elem())
	if err := json.Unmarshal(payload, fresh.Interface()); err != nil {
		return fmt.Errorf("%w: it holds something else: %w", errDamaged, err)
	}
	target.Elem().Set(fresh.Elem())
	return nil
}

// plain refuses names that would leave the folder or look like a file of ours.
func plain(name string) error {
	if name == "" || strings.Trim(name, "abcdefghijklmnopqrstuvwxyz0123456789_-") != "" || name == lockName {
		return fmt.Errorf("%q is not a name for a state file", name)
	}
	return nil
}
