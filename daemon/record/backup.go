package record

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
)

// Backup writes a copy of the whole book into a new file while others go on writing to it; the copy is as the book was at one
// instant.
func (b *Book) Backup(ctx context.Context, path string) error {
	if _, err := os.Stat(path); !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("backup: %s is there already; name a new file", path)
	}
	part := path + ".part"
	if err := os.Remove(part); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("backup: %w", err)
	}
	_, err := b.db.ExecContext(ctx, "VACUUM INTO ?", part)
	if err == nil {
		err = settle(part, path)
	}
	if err != nil {
		return errors.Join(fmt.Errorf("backup %s: not made, the record itself is untouched: %w", path, err), removed(part))
	}
	return nil
}

// settle forces the copy to the disk and only then gives it its name: a file of that name is a whole backup.
func settle(part, path string) error {
	f, err := os.OpenFile(part, os.O_RDWR, 0)
	if err != nil {
		return err
	}
	if err := errors.Join(f.Chmod(0o640), f.Sync(), f.Close()); err != nil {
		return err
	}
	return os.Rename(part, path)
}

func removed(path string) error {
	if err := os.Remove(path); !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	return nil
}
