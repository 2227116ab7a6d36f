package climate

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"ebbwatch/collector/regular"
)

// file is the name of the record in the state folder. It stands beside what the daemon keeps, which
// may be at work there: it is written whole, and read at the daemon's next start.
const file = "climate.json"

// Keep replaces the record in a state folder. When it returns without an error, it survives a power
// cut; after an error what was there before still is.
func Keep(folder string, r *Record) (err error) {
	defer func() {
		if err != nil {
			err = fmt.Errorf("cannot keep the climate in %s: %w", folder, err)
		}
	}()
	data, err := json.Marshal(r)
	if err != nil {
		return err
	}
	temp, err := os.CreateTemp(folder, ".climate-*.tmp")
	if err != nil {
		return err
	}
	_, err = temp.Write(data)
	if err = errors.Join(err, temp.Chmod(0o644), temp.Sync(), temp.Close()); err != nil {
		return errors.Join(err, os.Remove(temp.Name()))
	}
	if err := os.Rename(temp.Name(), filepath.Join(folder, file)); err != nil {
		return err
	}
	dir, err := os.Open(folder)
	if err != nil {
		return err
	}
	return errors.Join(dir.Sync(), dir.Close())
}

// Kept is the record in a state folder; nil where none was fetched. A damaged one is an error, and
// no reason to stop: the outlook goes on without it.
func Kept(folder string) (*Record, error) {
	data, err := regular.Read(filepath.Join(folder, file))
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	r := &Record{}
	if err == nil {
		err = json.Unmarshal(data, r)
	}
	if err == nil && len(r.Rows) == 0 {
		err = errors.New("it holds no rows")
	}
	if err != nil {
		return nil, fmt.Errorf("cannot read the climate that was kept in %s: %w; fetch it again with ebbwatch climate", folder, err)
	}
	return r, nil
}
