// Package statedir keeps the small state that must survive a restart, in a folder that one
// daemon owns. Power may vanish at any instant: a file is replaced as a whole (temporary
// file, fsync, rename, fsync of the folder), and the generation before it is kept. A file
// that is damaged all the same is set aside and reported; it never stops a start.
package statedir

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"
	"reflect"
	"strings"
	"sync"
	"sync/atomic"
)

// ErrInUse is what [Open] wraps when another process owns the folder.
var ErrInUse = errors.New("in use")

// Dir is an open state folder. Its methods may be called from several goroutines.
type Dir struct {
	path    string
	disk    disk
	release func() error
	written atomic.Int64

	mu   sync.Mutex
	last map[string]string // check sum of the newest generation on disk, by name
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

func newDir(path string, disk disk) *Dir {
	d := &Dir{path: path, disk: disk, last: map[string]string{}}
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
	older      = ".1" // of the generation before the newest
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

// Written counts the bytes of all files written since the folder was opened.
func (d *Dir) Written() int64 { return d.written.Load() }

// Save replaces what is kept under a name by v, as JSON. When it returns without an error, v
// survives a power cut. Nothing is written when v is what was saved last. After an error
// what was kept before is still there, and no temporary file is left.
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
	data, sum := seal(payload)
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.last[name] == sum {
		return nil
	}
	if err := d.replace(name, data); err != nil {
		delete(d.last, name)
		return err
	}
	d.last[name] = sum
	d.written.Add(int64(len(data)))
	return nil
}

// replace brings data under a name, and what was there into the older generation.
func (d *Dir) replace(name string, data []byte) error {
	temp := "." + name + tempSuffix
	if err := d.disk.write(temp, data); err != nil {
		return errors.Join(err, d.removed(temp))
	}
	if err := d.disk.rename(name, name+older); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return errors.Join(err, d.removed(temp))
	}
	if err := d.disk.rename(temp, name); err != nil {
		// Nothing is lost when this fails too: the older generation is read then.
		_ = d.disk.rename(name+older, name)
		return errors.Join(err, d.removed(temp))
	}
	return d.disk.sync()
}

// removed takes a temporary file away; that it is not there is no error.
func (d *Dir) removed(temp string) error {
	if err := d.disk.remove(temp); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	return nil
}

// Loaded is the outcome of a load.
type Loaded struct {
	Found    bool     // the value was filled
	Older    bool     // from the generation before the newest
	Problems []string // what was damaged or could not be read, for people
}

// Load fills what v points to from what was saved under a name. v is replaced as a whole, or
// left alone when nothing usable is found. A damaged file is set aside as
// NAME.damaged-NUMBER, the newest three of them kept, and the generation before it is used.
func (d *Dir) Load(name string, v any) Loaded {
	if err := plain(name); err != nil {
		return Loaded{Problems: []string{fmt.Sprintf("cannot load %s: %s", d.Path(name), err)}}
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	delete(d.last, name) // until the newest generation proves to be there and whole
	var out Loaded
	for _, generation := range []string{name, name + older} {
		sum, err := d.read(generation, v)
		switch {
		case err == nil:
			out.Found, out.Older = true, generation != name
			if !out.Older {
				d.last[name] = sum
			}
			return out
		case errors.Is(err, fs.ErrNotExist):
		case errors.Is(err, errDamaged):
			out.Problems = append(out.Problems, fmt.Sprintf("%s %s: %s", d.Path(generation), err, d.setAside(name, generation)))
		default:
			out.Problems = append(out.Problems, fmt.Sprintf("cannot read %s: %s", d.Path(generation), err))
		}
	}
	return out
}

// read fills v from one generation; v is left alone when that fails.
func (d *Dir) read(file string, v any) (sum string, err error) {
	data, err := d.disk.read(file)
	if err != nil {
		return "", err
	}
	payload, sum, err := unseal(data)
	if err != nil {
		return "", err
	}
	target := reflect.ValueOf(v)
	if target.Kind() != reflect.Pointer || target.IsNil() {
		return "", fmt.Errorf("a pointer is needed, not %T", v)
	}
	fresh := reflect.New(target.Type().Elem())
	if err := json.Unmarshal(payload, fresh.Interface()); err != nil {
		return "", fmt.Errorf("%w: it holds something else: %w", errDamaged, err)
	}
	target.Elem().Set(fresh.Elem())
	return sum, nil
}

// plain refuses names that would leave the folder or look like a file of ours.
func plain(name string) error {
	if name == "" || strings.Trim(name, "abcdefghijklmnopqrstuvwxyz0123456789_-") != "" || name == lockName {
		return fmt.Errorf("%q is not a name for a state file", name)
	}
	return nil
}
