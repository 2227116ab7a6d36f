package statedir

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"time"
)

// letterPrefix begins the names of what other processes leave for the daemon.
const letterPrefix = "letter-"

// maxLetter bounds what is read of one.
const maxLetter = 64 << 10

// InUse tells whether a daemon owns the folder. It makes nothing. The error says that nobody but
// the daemon's user may look.
func InUse(path string) (bool, error) {
	f, err := os.Open(filepath.Join(path, lockName))
	if errors.Is(err, fs.ErrPermission) {
		return false, fmt.Errorf("cannot look into state folder %s: %w", path, fs.ErrPermission)
	}
	if err != nil {
		return false, nil
	}
	defer f.Close()
	return errors.Is(syscall.Flock(int(f.Fd()), syscall.LOCK_SH|syscall.LOCK_NB), syscall.EWOULDBLOCK), nil
}

// Leave puts a letter for the daemon that owns the folder: v as JSON. It needs no lock, and
// is durable before it returns. The daemon may belong to another user, so all may read it.
func Leave(path string, v any) error {
	data, err := json.Marshal(v)
	if err != nil {
		return fmt.Errorf("cannot leave a request in %s: %w", path, err)
	}
	name := filepath.Join(path, letterPrefix+time.Now().UTC().Format("20060102T150405.000000000"))
	if err := leave(name, data); err != nil {
		return fmt.Errorf("cannot leave a request in state folder %s: %w", path, err)
	}
	return nil
}

func leave(name string, data []byte) (err error) {
	temp, err := os.CreateTemp(filepath.Dir(name), ".request-*"+tempSuffix)
	if err != nil {
		return err
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, os.Remove(temp.Name()))
		}
	}()
	_, err = temp.Write(data)
	if err = errors.Join(err, temp.Chmod(0o644), temp.Sync(), temp.Close()); err != nil {
		return err
	}
	return os.Rename(temp.Name(), name)
}

// Collect hands every letter, oldest first, to a function, and then removes it, also when
// the function refuses it. The errors are for people.
func (d *Dir) Collect(take func(data []byte) error) error {
	if d.Away() != nil {
		return nil // each save says so
	}
	names, err := d.letters()
	if err != nil {
		return fmt.Errorf("cannot look for requests in state folder %s: %w", d.path, err)
	}
	var errs []error
	for _, name := range names {
		file := filepath.Join(d.path, name)
		data, err := readLetter(file)
		if err == nil {
			err = take(data)
		}
		if err != nil {
			errs = append(errs, fmt.Errorf("cannot use the request %s: %w", file, err))
		}
		if err := os.Remove(file); err != nil {
			errs = append(errs, fmt.Errorf("cannot remove a request: %w", err))
		}
	}
	return errors.Join(errs...)
}

func (d *Dir) letters() ([]string, error) {
	names, err := d.disk.list()
	names = slices.DeleteFunc(names, func(n string) bool { return !strings.HasPrefix(n, letterPrefix) })
	slices.Sort(names)
	return names, err
}

func readLetter(file string) ([]byte, error) {
	info, err := os.Lstat(file)
	if err != nil {
		return nil, err
	}
	if !info.Mode().IsRegular() || info.Size() > maxLetter {
		return nil, errors.New("it is not a small plain file")
	}
	return os.ReadFile(file)
}
