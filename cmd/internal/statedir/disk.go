package statedir

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"syscall"
)

// disk is the folder as the file system gives it. Names are relative to it.
type disk interface {
	read(name string) ([]byte, error)
	write(name string, data []byte) error // over what is there, and makes it durable
	rename(from, to string) error
	remove(name string) error
	list() ([]string, error)
}

const lockName = "lock"

// folder is a disk in a real folder, owned through a lock on a file in it.
type folder struct {
	path string
	lock *os.File
}

// openFolder makes the folder where it is missing, and locks it.
func openFolder(path string) (folder, error) {
	if info, err := os.Stat(path); err == nil && !info.IsDir() {
		return folder{}, errors.New("it is not a folder")
	}
	if err := os.MkdirAll(path, 0o700); err != nil {
		return folder{}, err
	}
	if err := (folder{path: filepath.Dir(path)}).sync(); err != nil {
		return folder{}, err
	}
	lock, err := takeLock(filepath.Join(path, lockName))
	if err != nil {
		return folder{}, err
	}
	return folder{path, lock}, nil
}

// takeLock locks a file for as long as this process lives, and leaves its id in it for
// whoever comes second. The kernel drops the lock however the process ends, so there is
// nothing stale to clean up.
func takeLock(path string) (*os.File, error) {
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o600)
	if errors.Is(err, syscall.EROFS) { // what is on it can be read, and may be writable again soon
		f, err = os.Open(path)
	}
	if err != nil {
		return nil, err
	}
	if err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB); err != nil {
		defer f.Close()
		if errors.Is(err, syscall.EWOULDBLOCK) {
			return nil, inUse(f)
		}
		return nil, fmt.Errorf("cannot lock %s: %w", path, err)
	}
	// The id is for people only: a full disk must not stop the start.
	if err := f.Truncate(0); err == nil {
		_, _ = fmt.Fprintf(f, "%d\n", os.Getpid())
	}
	return f, nil
}

func inUse(f *os.File) error {
	id, _ := io.ReadAll(io.LimitReader(f, 32))
	if pid := strings.TrimSpace(string(id)); pid != "" {
		return inUseError("another ebbwatch (pid " + pid + ") is using it")
	}
	return inUseError("another ebbwatch is using it")
}

// inUseError is [ErrInUse] in words that name the other.
type inUseError string

func (e inUseError) Error() string { return string(e) }
func (inUseError) Is(target error) bool {
	return target == ErrInUse
}

// release unlocks before it closes: a program that is being started by this process holds a
// copy of the descriptor, and with it the lock, until it runs.
func (f folder) release() error {
	return errors.Join(syscall.Flock(int(f.lock.Fd()), syscall.LOCK_UN), f.lock.Close())
}

func (f folder) in(name string) string { return filepath.Join(f.path, name) }

func (f folder) read(name string) ([]byte, error) {
	file, err := openPlain(f.in(name), os.O_RDONLY)
	if err != nil {
		return nil, err
	}
	defer file.Close()
	return io.ReadAll(io.LimitReader(file, maxState))
}

// openPlain opens a file that is one: a pipe would hold up whoever opens it.
func openPlain(path string, how int) (*os.File, error) {
	file, err := os.OpenFile(path, how|syscall.O_NONBLOCK, 0)
	if err != nil {
		return nil, err
	}
	if info, err := file.Stat(); err != nil || !info.Mode().IsRegular() {
		return nil, errors.Join(errors.New("it is no plain file"), err, file.Close())
	}
	return file, nil
}

// write puts data at the beginning of a file that may be longer. A file that is there keeps its
// blocks: a file system takes five times as long, and as many bytes, to make a new one, which is
// whole before it gets its name. The first block, which tells the number, comes last, so that a
// process that is killed midway leaves the number of what was there before.
func (f folder) write(name string, data []byte) error {
	file, err := openPlain(f.in(name), os.O_WRONLY)
	if errors.Is(err, fs.ErrNotExist) {
		return f.make(name, data)
	}
	if err != nil {
		return err
	}
	first := min(block, len(data))
	if _, err = file.WriteAt(data[first:], int64(first)); err == nil {
		_, err = file.WriteAt(data[:first], 0)
	}
	return errors.Join(err, file.Sync(), file.Close())
}

func (f folder) make(name string, data []byte) error {
	temp := "." + name + tempSuffix
	file, err := os.OpenFile(f.in(temp), os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o600)
	if err != nil {
		return err
	}
	_, err = file.Write(data)
	err = errors.Join(err, file.Sync(), file.Close())
	if err == nil {
		err = f.rename(temp, name)
	}
	if err != nil {
		_ = f.remove(temp) // what is left of it goes with the next start
		return err
	}
	return f.sync()
}

func (f folder) rename(from, to string) error { return os.Rename(f.in(from), f.in(to)) }

func (f folder) remove(name string) error { return os.Remove(f.in(name)) }

func (f folder) list() ([]string, error) {
	entries, err := os.ReadDir(f.path)
	names := make([]string, 0, len(entries))
	for _, e := range entries {
		names = append(names, e.Name())
	}
	return names, err
}

// sync makes the names in the folder durable.
func (f folder) sync() error {
	dir, err := os.Open(f.path)
	if err != nil {
		return err
	}
	if err := dir.Sync(); err != nil {
		return errors.Join(err, dir.Close())
	}
	return dir.Close()
}
