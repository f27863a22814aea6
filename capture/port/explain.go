package port

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/user"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"syscall"

	"go.bug.st/serial"
)

// OpenError says why a port cannot be opened and what to do about it.
type OpenError struct {
	Path string
	What string // what is wrong
	Hint string // what to do, with what to type; may be empty
	Err  error  // what the system said; may be nil
	// Gone: nothing is at the path, so the port is unplugged rather than refused.
	Gone bool
}

// Error gives it all in one line.
func (e *OpenError) Error() string {
	s := e.Path + ": " + e.What
	if e.Hint != "" {
		s += "; " + e.Hint
	}
	return s
}

// Unwrap gives what the system said.
func (e *OpenError) Unwrap() error { return e.Err }

// ErrNoLines is returned where a port has no modem lines.
var ErrNoLines = errors.New("this port has no modem lines")

func lineError(err error) error {
	if errors.Is(err, syscall.ENOTTY) || errors.Is(err, syscall.EINVAL) {
		return ErrNoLines
	}
	return err
}

// checkNode looks at a path before it is opened, because opening has effects (it raises DTR and RTS,
// and may block on a pipe) and because the system's own word for a plain file or a folder is of no use.
func checkNode(path string) error {
	if path == "" {
		return &OpenError{Path: "port", What: "no path is given", Hint: `"letthrough ports" lists what is there`}
	}
	st, err := os.Stat(path)
	switch {
	case err != nil:
		return explain(path, err)
	case st.IsDir():
		return &OpenError{Path: path, What: "is a directory, not a serial port", Hint: `"letthrough ports" lists the ports`}
	case st.Mode().IsRegular():
		return &OpenError{Path: path, What: "is a file, not a serial port", Hint: fmt.Sprintf(`for a recorded trace type "letthrough read %s"`, path)}
	case st.Mode()&fs.ModeCharDevice == 0:
		return &OpenError{Path: path, What: "is no serial port", Hint: `"letthrough ports" lists the ports`}
	}
	return nil
}

// explain puts into words why opening path failed. The library's PortError does not unwrap, so its
// code is asked as well as the error itself.
func explain(path string, err error) error {
	e := &OpenError{Path: path, Err: err}
	code := serial.PortErrorCode(-1)
	if pe, ok := errors.AsType[*serial.PortError](err); ok {
		code = pe.Code()
	}
	switch {
	case errors.Is(err, fs.ErrNotExist), code == serial.PortNotFound, errors.Is(err, syscall.ENOTDIR):
		e.Gone = true
		e.What, e.Hint = "no such port", `is it plugged in? "letthrough ports" lists what is there`
	case errors.Is(err, fs.ErrPermission), code == serial.PermissionDenied:
		e.What, e.Hint = "permission denied", permissionHint(path)
	case errors.Is(err, syscall.EBUSY), code == serial.PortBusy:
		e.What, e.Hint = "another program has it open", "end that program first"
		if who := holders(path); who != "" {
			e.What += " (" + who + ")"
		}
	case errors.Is(err, syscall.ENXIO), errors.Is(err, syscall.ENODEV), errors.Is(err, syscall.EIO):
		e.Gone = true
		e.What, e.Hint = "no device answers there", "unplug it and plug it in again"
	case code == serial.InvalidSerialPort && strings.Contains(err.Error(), "inappropriate ioctl"), errors.Is(err, syscall.ENOTTY):
		e.What, e.Hint = "is no terminal, so not a serial port", `"letthrough ports" lists the ports`
	case code == serial.PortClosed:
		e.What, e.Hint = "closed by the other end", "is the device still there?"
	case code == serial.InvalidSpeed:
		e.What, e.Hint = "the port does not know this baud rate", "give another one with ?baud="
	case errors.Is(err, syscall.EMFILE), errors.Is(err, syscall.ENFILE):
		e.What, e.Hint = "too many files are open", "close some pages and try again"
	default:
		e.What = err.Error()
	}
	return e
}

// permissionHint says which group to join, or that having joined needs a new log-in.
func permissionHint(path string) string {
	st, err := os.Stat(path)
	if err != nil {
		return ""
	}
	sys, ok := st.Sys().(*syscall.Stat_t)
	if !ok {
		return ""
	}
	gid := strconv.FormatUint(uint64(sys.Gid), 10)
	group := gid
	if g, err := user.LookupGroupId(gid); err == nil {
		group = g.Name
	}
	if st.Mode().Perm()&0o060 != 0o060 || sys.Gid == 0 {
		return fmt.Sprintf(`only user %s may use it: type "sudo chown %s %s" (until it is unplugged)`, ownerName(sys.Uid), self(), path)
	}
	if me, err := user.Current(); err == nil {
		if ids, err := me.GroupIds(); err == nil && slices.Contains(ids, gid) {
			return fmt.Sprintf("you are in its group %s, but not yet in this session: log out and in again", group)
		}
	}
	return fmt.Sprintf(`it belongs to group %s: type "sudo usermod -aG %s %s", then log out and in again`, group, group, self())
}

func self() string {
	if me, err := user.Current(); err == nil && me.Username != "" {
		return me.Username
	}
	return "$USER"
}

func ownerName(uid uint32) string {
	id := strconv.FormatUint(uint64(uid), 10)
	if u, err := user.LookupId(id); err == nil {
		return u.Username
	}
	return id
}

// holders names the other programs that have path open, as far as this user may see them.
func holders(path string) string { return openByOthers().holders(path) }

// users maps an open terminal to the programs that have it open.
type users map[string][]string

func (u users) holders(path string) string {
	real, err := filepath.EvalSymlinks(path)
	if err != nil {
		return ""
	}
	return strings.Join(u[real], "; ")
}

// openByOthers looks once through what all other programs have open below /dev.
func openByOthers() users {
	out := users{}
	fds, err := filepath.Glob("/proc/[0-9]*/fd/*")
	if err != nil {
		return out
	}
	own := strconv.Itoa(os.Getpid())
	for _, fd := range fds {
		pid := strings.Split(fd, "/")[2]
		target, err := os.Readlink(fd)
		if err != nil || pid == own || !strings.HasPrefix(target, "/dev/") {
			continue
		}
		comm, err := os.ReadFile("/proc/" + pid + "/comm")
		if err != nil {
			continue
		}
		name := fmt.Sprintf("%s, process %s", strings.TrimSpace(string(comm)), pid)
		if !slices.Contains(out[target], name) {
			out[target] = append(out[target], name)
		}
	}
	return out
}
