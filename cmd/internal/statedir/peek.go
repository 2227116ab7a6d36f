package statedir

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
)

// Peek decodes what was saved under a name in the state folder at path into v, without
// taking the folder into possession: a daemon may be at work in it. A newest generation that
// is damaged falls back to the one before. Nothing is written. The error wraps fs.ErrNotExist
// where nothing was saved.
func Peek(path, name string, v any) error {
	if err := plain(name); err != nil {
		return err
	}
	file := filepath.Join(path, name)
	first := peek(file, v)
	if first == nil {
		return nil
	}
	if peek(file+older, v) == nil {
		return nil
	}
	return fmt.Errorf("cannot read %s: %w", file, first)
}

func peek(file string, v any) error {
	data, err := os.ReadFile(file)
	if err != nil {
		return err
	}
	payload, _, err := unseal(data)
	if err != nil {
		return err
	}
	return json.Unmarshal(payload, v)
}
