package statedir

import (
	"fmt"
	"io/fs"
	"path/filepath"
)

// Peek decodes what was saved last under a name in the state folder at path into v, without
// taking the folder into possession: a daemon may be at work in it. A file that is damaged, or
// is being written, counts for nothing. Nothing is written. The error wraps fs.ErrNotExist
// where nothing was saved.
func Peek(path, name string, v any) error {
	if err := plain(name); err != nil {
		return err
	}
	err := fs.ErrNotExist
	for _, g := range generations(folder{path: path}, name) {
		if g.err == nil {
			g.err = decode(g.payload, v)
		}
		if err = g.err; err == nil {
			return nil
		}
	}
	return fmt.Errorf("cannot read %s: %w", filepath.Join(path, name), err)
}
