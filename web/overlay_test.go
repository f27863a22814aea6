package web

import (
	"errors"
	"io/fs"
	"maps"
	"slices"
	"strings"
	"testing/fstest"
)

// overlay lays a test's files over others; a file that is nil is not there.
type overlay struct {
	top  fstest.MapFS
	base fs.FS
}

func (o overlay) Open(name string) (fs.File, error) {
	if f, ok := o.top[name]; ok {
		if f == nil {
			return nil, &fs.PathError{Op: "open", Path: name, Err: fs.ErrNotExist}
		}
		return o.top.Open(name)
	}
	return o.base.Open(name)
}

func (o overlay) ReadDir(name string) ([]fs.DirEntry, error) {
	all := map[string]fs.DirEntry{}
	base, err := fs.ReadDir(o.base, name)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return nil, err
	}
	for _, e := range base {
		all[e.Name()] = e
	}
	top := fstest.MapFS{}
	for path, f := range o.top {
		if f == nil {
			if dir, file, _ := strings.Cut(path, "/"); dir == name {
				delete(all, file)
			}
			continue
		}
		top[path] = f
	}
	entries, err := fs.ReadDir(top, name)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return nil, err
	}
	for _, e := range entries {
		all[e.Name()] = e
	}
	return slices.SortedFunc(maps.Values(all), func(a, b fs.DirEntry) int { return strings.Compare(a.Name(), b.Name()) }), nil
}
