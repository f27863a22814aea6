package port

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
)

// identity is what a USB device says of itself; the zero value is any other port.
type identity struct{ model, name, serial string }

// identify finds the USB device behind a port in sysfs, without opening or asking it.
func identify(class, path string) identity {
	real, err := filepath.EvalSymlinks(path)
	if err != nil {
		return identity{}
	}
	dir, err := filepath.EvalSymlinks(filepath.Join(class, filepath.Base(real), "device"))
	if err != nil {
		return identity{}
	}
	read := func(name string) string {
		b, err := os.ReadFile(filepath.Join(dir, name))
		if err != nil {
			return ""
		}
		return strings.TrimSpace(string(b))
	}
	// The port stands one level below the USB device for boards of their own, two for adapters.
	for range 3 {
		if vid := read("idVendor"); vid != "" {
			return identity{vid + ":" + read("idProduct"), read("product"), read("serial")}
		}
		dir = filepath.Dir(dir)
	}
	return identity{}
}

// sameDevice refuses a port behind which another kind of device has appeared: its numbers would go on as
// if they were those of the instrument that was pulled out. One of the same kind is accepted, and said.
func (l *Link) sameDevice() error {
	now := identify(l.sysfs, l.spec.Path)
	was := l.device
	switch {
	case was == identity{} || now == identity{}:
	case now.model != was.model:
		return &OpenError{
			Path: l.spec.Path, What: fmt.Sprintf("another device is plugged in there (%s %s; it was %s %s)", now.model, now.name, was.model, was.name),
			Hint: "plug the first one in again, or start anew with this one",
		}
	case now.serial != was.serial:
		l.opt.Log.Warn("another device of the same kind is plugged in", "was", was.serial, "is", now.serial)
	}
	if now != (identity{}) {
		l.device = now
	}
	return nil
}
