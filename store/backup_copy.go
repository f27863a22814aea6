package store

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"syscall"
)

// spareBytes is left on a disk that a copy is made on: a test may be recorded there.
const spareBytes = 64 << 20

// Copy makes a backup in a file without a name, which is gone once it is closed. It lies beside the database
// where that leaves room to record, else among the temporary files.
func (db *DB) Copy(ctx context.Context) (*os.File, error) {
	info, err := os.Stat(db.path)
	if err != nil {
		return nil, explainPath("make backup", db.path, err)
	}
	size := uint64(info.Size())
	for _, place := range []struct {
		dir  string
		need uint64
	}{{filepath.Dir(db.path), 2*size + spareBytes}, {os.TempDir(), size + size/8 + spareBytes}} {
		var disk syscall.Statfs_t
		if err := syscall.Statfs(place.dir, &disk); err != nil || disk.Bavail*uint64(disk.Bsize) < place.need {
			continue
		}
		f, err := db.copyIn(ctx, place.dir)
		if err == nil || ctx.Err() != nil {
			return f, err
		}
		db.log.Warn("no copy of the database", "in", place.dir, "err", err)
	}
	return nil, &Error{Code: ErrFull.Code, Text: fmt.Sprintf("there is no room for a copy of the database, %d MB, in %s or %s", size>>20+1, filepath.Dir(db.path), os.TempDir()),
		Hint: "make it on another disk: letthrough runs backup FILE"}
}

func (db *DB) copyIn(ctx context.Context, dir string) (*os.File, error) {
	dir, err := os.MkdirTemp(dir, ".letthrough-backup-")
	if err != nil {
		return nil, err
	}
	defer os.RemoveAll(dir)
	path := filepath.Join(dir, "copy.db")
	if err := db.Backup(ctx, path); err != nil {
		return nil, err
	}
	return os.Open(path)
}
