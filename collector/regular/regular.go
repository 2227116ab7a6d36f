package regular

import (
	"crypto/x509"
	"fmt"
	"io"
	"io/fs"
	"os"
	"syscall"
)

// Open opens a regular file for reading. It never waits for a writer. The error is an
// [fs.PathError] as that of [os.Open].
func Open(path string) (*os.File, error) {
	f, err := os.OpenFile(path, os.O_RDONLY|syscall.O_NONBLOCK, 0)
	if err != nil {
		return nil, err
	}
	info, err := f.Stat()
	if err == nil && !info.Mode().IsRegular() {
		err = &fs.PathError{Op: "open", Path: path, Err: fmt.Errorf("it is %s: give a file", kind(info.Mode()))}
	}
	if err != nil {
		_ = f.Close() // nothing was read from it
		return nil, err
	}
	return f, nil
}

// Read is all that a regular file holds.
func Read(path string) ([]byte, error) {
	f, err := Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return io.ReadAll(f)
}

// Certificates are those of the system and of a file in PEM.
func Certificates(path string) (*x509.CertPool, error) {
	pool, err := x509.SystemCertPool()
	if err != nil {
		pool = x509.NewCertPool()
	}
	data, err := Read(path)
	if err != nil {
		return nil, fmt.Errorf("cannot read the certificates: %w", err)
	}
	if !pool.AppendCertsFromPEM(data) {
		return nil, fmt.Errorf("cannot use %s: it holds no certificate in PEM", path)
	}
	return pool, nil
}

// kind names what is no file.
func kind(m fs.FileMode) string {
	switch {
	case m.IsDir():
		return "a folder"
	case m&fs.ModeNamedPipe != 0:
		return "a fifo"
	case m&fs.ModeDevice != 0:
		return "a device"
	default:
		return "no regular file"
	}
}
