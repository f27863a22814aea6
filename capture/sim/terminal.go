package sim

import (
	"errors"
	"fmt"
	"os"
	"time"

	"github.com/creack/pty"
	"golang.org/x/sys/unix"
)

// terminal is the instrument's side of a pseudo-terminal. It never blocks: what the kernel does not
// take stays with the caller.
type terminal struct {
	fd   int
	path string
	link string // symbolic link to path, or ""
}

// openTerminal makes a pair, sets it raw before anybody can write (the line discipline would echo and
// cook the first bytes), and lets go of the far side, so that a hang-up tells whether anybody listens.
func openTerminal(link string) (*terminal, error) {
	master, slave, err := pty.Open()
	if err != nil {
		return nil, fmt.Errorf("open pseudo-terminal: %w", err)
	}
	defer master.Close()
	defer slave.Close()
	if err := setRaw(int(slave.Fd())); err != nil {
		return nil, fmt.Errorf("set pseudo-terminal raw: %w", err)
	}
	// A descriptor of our own, outside the runtime's poller: the pair lives until it is closed.
	fd, err := unix.FcntlInt(master.Fd(), unix.F_DUPFD_CLOEXEC, 3)
	if err != nil {
		return nil, fmt.Errorf("keep pseudo-terminal: %w", err)
	}
	if err := unix.SetNonblock(fd, true); err != nil {
		return nil, errors.Join(fmt.Errorf("set pseudo-terminal non-blocking: %w", err), unix.Close(fd))
	}
	t := &terminal{fd: fd, path: slave.Name(), link: link}
	if link != "" {
		_ = os.Remove(link) // a stale one of a run that was killed
		if err := os.Symlink(t.path, link); err != nil {
			return nil, errors.Join(fmt.Errorf("link pseudo-terminal: %w", err), unix.Close(fd))
		}
	}
	return t, nil
}

func setRaw(fd int) error {
	t, err := unix.IoctlGetTermios(fd, unix.TCGETS)
	if err != nil {
		return err
	}
	t.Iflag &^= unix.IGNBRK | unix.BRKINT | unix.PARMRK | unix.ISTRIP | unix.INLCR | unix.IGNCR | unix.ICRNL | unix.IXON
	t.Oflag &^= unix.OPOST
	t.Lflag &^= unix.ECHO | unix.ECHONL | unix.ICANON | unix.ISIG | unix.IEXTEN
	t.Cflag &^= unix.CSIZE | unix.PARENB
	t.Cflag |= unix.CS8
	t.Cc[unix.VMIN], t.Cc[unix.VTIME] = 1, 0
	return unix.IoctlSetTermios(fd, unix.TCSETS, t)
}

// name is what a reader opens.
func (t *terminal) name() string {
	if t.link != "" {
		return t.link
	}
	return t.path
}

// heard tells whether anybody has the far side open.
func (t *terminal) heard() bool {
	p := []unix.PollFd{{Fd: int32(t.fd), Events: unix.POLLOUT}}
	_, err := unix.Poll(p, 0)
	return err == nil && p[0].Revents&unix.POLLHUP == 0
}

// write hands over what the kernel takes at once, possibly nothing.
func (t *terminal) write(b []byte) (int, error) {
	done := 0
	for done < len(b) {
		n, err := unix.Write(t.fd, b[done:])
		switch {
		case errors.Is(err, unix.EINTR):
			continue
		case errors.Is(err, unix.EAGAIN):
			return done, nil
		case err != nil:
			return done, fmt.Errorf("write to pseudo-terminal: %w", err)
		case n == 0:
			return done, nil
		}
		done += n
	}
	return done, nil
}

// discard reads away what the other end sends: a talking instrument does not listen.
func (t *terminal) discard() {
	var b [256]byte
	for {
		if n, err := unix.Read(t.fd, b[:]); n <= 0 || err != nil {
			return
		}
	}
}

// drain waits, at most for the given time, until the reader has taken everything: hanging up throws
// away what it has not. The kernel hands on in portions of 4 KiB, so that nothing to be read once does
// not mean that nothing is left.
func (t *terminal) drain(most time.Duration) {
	if !t.heard() {
		return
	}
	far, err := unix.Open(t.path, unix.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK|unix.O_CLOEXEC, 0)
	if err != nil {
		return // claimed exclusively: nothing can be seen
	}
	defer unix.Close(far)
	tick := time.NewTicker(time.Millisecond)
	defer tick.Stop()
	empty := 0
	for deadline := time.Now().Add(most); empty < 20 && time.Now().Before(deadline); <-tick.C {
		n, err := unix.IoctlGetInt(far, unix.TIOCINQ)
		if err != nil {
			return
		}
		if empty++; n > 0 {
			empty = 0
		}
	}
}

func (t *terminal) close() error {
	var err error
	if t.link != "" {
		err = os.Remove(t.link)
	}
	return errors.Join(err, unix.Close(t.fd))
}
