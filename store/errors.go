package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"
	"syscall"

	"github.com/mattn/go-sqlite3"
)

// Code tells errors apart for programs; Text and Hint are for people.
type Code string

// Error is a fault of the store in words: what is wrong and where, and what to do about it.
type Error struct {
	Code Code
	Text string
	Hint string
	Err  error // what lay beneath, for the log; may be nil
}

func (e *Error) Error() string {
	if e.Hint == "" {
		return e.Text
	}
	return e.Text + "; " + e.Hint
}

func (e *Error) Unwrap() error { return e.Err }

// Is compares codes, so that errors.Is(err, ErrNotFound) holds for every error of that kind.
func (e *Error) Is(target error) bool {
	t, ok := target.(*Error)
	return ok && t.Code == e.Code
}

// The kinds of errors.
var (
	ErrNotFound = &Error{Code: "not_found"}        // no such run, unit, derivation or file
	ErrConflict = &Error{Code: "conflict"}         // the name is taken, the thing is in use
	ErrState    = &Error{Code: "wrong_state"}      // not while the run is open, or only while it is excluded
	ErrInvalid  = &Error{Code: "out_of_range"}     // a value that cannot be
	ErrNewer    = &Error{Code: "newer_database"}   // written by a newer version of the program
	ErrNotOurs  = &Error{Code: "not_a_database"}   // a directory, another kind of file, another program's database
	ErrReadOnly = &Error{Code: "read_only"}        // the file or its folder cannot be written
	ErrBusy     = &Error{Code: "database_busy"}    // another program keeps it locked
	ErrFull     = &Error{Code: "disk_full"}        // no room left
	ErrCorrupt  = &Error{Code: "database_corrupt"} // damaged
	ErrInUse    = &Error{Code: "in_use"}           // another letthrough records into it
	ErrIO       = &Error{Code: "io"}               // the disk failed
	ErrClosed   = &Error{Code: "closed"}           // the store was closed
)

func notFound(format string, args ...any) *Error {
	return &Error{Code: ErrNotFound.Code, Text: fmt.Sprintf(format, args...)}
}

func invalid(err error) *Error {
	return &Error{Code: ErrInvalid.Code, Text: err.Error(), Err: err}
}

func (db *DB) noRun(id int64) *Error {
	e := notFound("there is no run %d in %s", id, db.path)
	e.Hint = "runs list shows those there are"
	return e
}

// explain turns what SQLite or the system says into words. Errors of this package and those of a
// cancelled context pass through, others are wrapped with the step they came from.
func (db *DB) explain(step string, err error) error {
	var own *Error
	switch {
	case err == nil:
		return nil
	case errors.As(err, &own), errors.Is(err, context.Canceled), errors.Is(err, context.DeadlineExceeded):
		return err
	}
	if errors.Is(err, sql.ErrConnDone) || err.Error() == "sql: database is closed" {
		return &Error{Code: ErrClosed.Code, Text: "the database " + db.path + " was closed", Err: err}
	}
	if e := explainFault(db.path, err); e != nil {
		return e
	}
	return fmt.Errorf("%s: %w", step, err)
}

// explainFault knows the faults of files and disks; nil is anything else.
func explainFault(path string, err error) *Error {
	say := func(kind *Error, hint, format string) *Error {
		return &Error{Code: kind.Code, Text: fmt.Sprintf(format, path), Hint: hint, Err: err}
	}
	var s sqlite3.Error
	isSQLite := errors.As(err, &s)
	switch {
	case isSQLite && s.Code == sqlite3.ErrFull || errors.Is(err, syscall.ENOSPC):
		return say(ErrFull, "free some space on it", "the disk that holds %s is full")
	case isSQLite && (s.Code == sqlite3.ErrReadonly || s.Code == sqlite3.ErrPerm),
		isSQLite && (s.SystemErrno == syscall.EROFS || s.SystemErrno == syscall.EACCES),
		isSQLite && s.Code == sqlite3.ErrCantOpen && !writable(filepath.Dir(path)),
		errors.Is(err, fs.ErrPermission), errors.Is(err, syscall.EROFS):
		return say(ErrReadOnly, "allow writing to the file and its folder, or name another file with --db", "%s cannot be written")
	case isSQLite && (s.Code == sqlite3.ErrBusy || s.Code == sqlite3.ErrLocked):
		return say(ErrBusy, "close the other program", "another program keeps %s locked")
	case isSQLite && s.Code == sqlite3.ErrNotADB:
		return say(ErrNotOurs, "name another file with --db", "%s is not a letthrough database")
	case isSQLite && s.Code == sqlite3.ErrCorrupt:
		return say(ErrCorrupt, "keep a copy of it and go on with a backup or a new file", "the database %s is damaged")
	case isSQLite && s.Code == sqlite3.ErrCantOpen:
		return say(ErrIO, "check that its folder exists and can be written", "%s cannot be opened")
	case isSQLite && s.Code == sqlite3.ErrIoErr:
		if errors.Is(s.SystemErrno, syscall.ENOSPC) {
			return say(ErrFull, "free some space on it", "the disk that holds %s is full")
		}
		return say(ErrIO, "check the disk", "the disk that holds %s failed ("+s.SystemErrno.Error()+")")
	case isSQLite && s.Code == sqlite3.ErrNomem:
		return say(ErrIO, "close other programs", "memory ran out while %s was used")
	}
	return nil
}

// writable asks the system; SQLite only says that it could not make the file beside the database.
func writable(folder string) bool {
	const mayWrite = 2
	return syscall.Access(folder, mayWrite) == nil
}

// isConflict tells whether a rule of the tables was broken (a name taken, a reference missing).
func isConflict(err error) bool {
	var s sqlite3.Error
	return errors.As(err, &s) && s.Code == sqlite3.ErrConstraint
}
