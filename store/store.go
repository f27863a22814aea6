// Package store keeps units, runs, figures and samples in one SQLite file.
//
// Who writes: one goroutine (recorder) takes what the bench hands over and commits it every 100 ms;
// everything a person changes goes through the same single connection. Who reads: anybody, on a
// pool of connections that cannot write. What the recorder cannot keep is counted, never waited for.
//
// Times of samples and marks that go in are on the run's own time base, on which its first kept
// sample is 0. Marks and columns that come out count from the run's zero (the onset, else the
// opening), unless a function says otherwise.
package store

import (
	"bytes"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io"
	"iter"
	"log/slog"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"time"

	"letthrough/capture/trace"

	_ "github.com/mattn/go-sqlite3" // the driver "sqlite3"
)

// busyTimeoutMS is how long a statement waits for another program to let go of the file. It is also
// how long it takes until a person is told that nothing is stored.
const busyTimeoutMS = 2500

// DeriveFunc derives marks and figures from the samples of a run that was cut short. The marks are
// those made from outside (contact, hand), on the run's time base, as are the samples.
type DeriveFunc func(s trace.Settings, marks []trace.Mark, samples iter.Seq2[trace.Batch, error]) (trace.Derivation, error)

// Options say how a file is opened. The zero value looks at and edits stored runs.
type Options struct {
	// Record makes this process the one that records into the file: Begin and the like work, and
	// runs that a crash left open are closed as interrupted.
	Record bool
	// MustExist refuses to make a new file.
	MustExist bool
	// Derive gives interrupted runs their figures; nil leaves them without.
	Derive DeriveFunc
	// CheckCriteria says what is wrong with the text of a set of criteria; nil: any text is taken. What comes
	// from elsewhere with a run is taken as it is.
	CheckCriteria func(text string) error
	Log           *slog.Logger // nil: none
	// QueueSamples bounds the samples that wait for the disk; 0 is 400,000 (10 MB).
	QueueSamples int
	Version      string // of the program, stored with what it derives
}

// DB is an open store. All methods are safe for concurrent use.
type DB struct {
	path string
	opt  Options
	log  *slog.Logger
	now  func() time.Time

	w           *sql.DB // one connection: whoever writes waits in Go, not in SQLite
	r           *sql.DB // connections that cannot write
	lock        *os.File
	file        os.FileInfo // of the database as it was opened to record
	rec         *recorder   // nil unless Options.Record
	interrupted []int64

	sweep atomic.Bool // pages came free which the file system could have back

	closing  sync.Once
	closeErr error
}

// Open opens or makes the database at path.
func Open(ctx context.Context, path string, opt Options) (*DB, error) {
	db := &DB{path: path, opt: opt, log: opt.Log, now: time.Now}
	if db.log == nil {
		db.log = slog.New(slog.DiscardHandler)
	}
	err := db.explain("open "+path, db.open(ctx))
	if err == nil {
		return db, nil
	}
	if e := db.release(); e != nil {
		db.log.Warn("close after a failed opening", "file", path, "error", e)
	}
	if errors.Is(err, ErrReadOnly) && !opt.Record && db.openUnwritable(ctx) == nil {
		return db, nil
	}
	return nil, err
}

// inPlace tells whether the file that is written to still has its name: what goes into one that was
// removed is gone with the process, and SQLite says nothing.
func (db *DB) inPlace() error {
	now, err := os.Stat(db.path)
	if err == nil && os.SameFile(db.file, now) {
		return nil
	}
	if err != nil && !errors.Is(err, os.ErrNotExist) {
		return err
	}
	return &Error{Code: ErrIO.Code, Text: "the database " + db.path + " was moved, removed or replaced while it was in use",
		Hint: "put it back, or end the program and start again with the right file"}
}

// openUnwritable opens a file that nobody can change, on a read-only disk say, to look at it. What
// a crash left in the write-ahead log cannot be read that way, and an older schema not be migrated.
func (db *DB) openUnwritable(ctx context.Context) error {
	if info, err := os.Stat(db.path + "-wal"); err == nil && info.Size() > 0 {
		return ErrReadOnly
	}
	steps, err := migrations(migrationFiles)
	if err != nil {
		return err
	}
	db.w, db.lock = nil, nil
	db.r, err = sql.Open("sqlite3", "file:"+escapePath(db.path)+"?mode=ro&immutable=1&_query_only=on")
	if err != nil {
		return err
	}
	have, err := db.schemaNumber(ctx, db.r)
	if err == nil && have != len(steps) {
		err = ErrReadOnly
	}
	if err != nil {
		return errors.Join(err, db.release())
	}
	return nil
}

func (db *DB) open(ctx context.Context) error {
	if err := db.inspect(); err != nil {
		return err
	}
	if db.opt.Record {
		if err := db.takeLock(); err != nil {
			return err
		}
	}
	var err error
	if db.w, err = db.connect(false, 1); err != nil {
		return err
	}
	if err := db.migrate(ctx); err != nil {
		return err
	}
	if err := verify(ctx, db.w, [][2]string{{"journal_mode", "wal"}, {"foreign_keys", "1"},
		{"busy_timeout", fmt.Sprint(busyTimeoutMS)}, {"synchronous", "1"}}); err != nil {
		return err
	}
	if db.r, err = db.connect(true, 8); err != nil {
		return err
	}
	if err := verify(ctx, db.r, [][2]string{{"query_only", "1"}, {"busy_timeout", fmt.Sprint(busyTimeoutMS)}}); err != nil {
		return err
	}
	if !db.opt.Record {
		return nil
	}
	if db.file, err = os.Stat(db.path); err != nil {
		return err
	}
	if err := db.closeInterrupted(ctx); err != nil {
		return fmt.Errorf("close interrupted runs: %w", err)
	}
	db.rec, err = startRecorder(ctx, db)
	return err
}

// inspect says in words what is wrong with the path, before SQLite does so in its own.
func (db *DB) inspect() error {
	info, err := os.Stat(db.path)
	if errors.Is(err, os.ErrNotExist) {
		if db.opt.MustExist {
			return &Error{Code: ErrNotFound.Code, Text: "there is no database " + db.path,
				Hint: "name the file with --db, or record a run first"}
		}
		folder := filepath.Dir(db.path)
		if f, err := os.Stat(folder); err != nil || !f.IsDir() {
			return &Error{Code: ErrNotFound.Code, Text: db.path + " cannot be made: there is no folder " + folder,
				Hint: "make the folder, or name another file with --db", Err: err}
		}
		return nil
	}
	if err != nil {
		return err
	}
	if !info.Mode().IsRegular() {
		what := "no ordinary file"
		if info.IsDir() {
			what = "a folder"
		}
		return &Error{Code: ErrNotOurs.Code, Text: db.path + " is " + what + ", a database is a file",
			Hint: "name a file with --db, such as " + filepath.Join(db.path, "letthrough.db")}
	}
	f, err := os.Open(db.path)
	if err != nil {
		return err
	}
	defer f.Close()
	head := make([]byte, 16)
	n, err := io.ReadFull(f, head)
	if n > 0 && (err != nil || !bytes.Equal(head, []byte("SQLite format 3\x00"))) {
		return &Error{Code: ErrNotOurs.Code, Text: db.path + " is not a database",
			Hint: "name another file with --db (recorded traces are read by: letthrough read FILE)"}
	}
	return nil
}

// takeLock makes sure that one process at a time records into a file: a second one would take the
// first one's open run for one that a crash left behind. The lock goes with the process, its file
// when the store is closed in order.
func (db *DB) takeLock() error {
	for {
		f, err := os.OpenFile(db.path+"-lock", os.O_CREATE|os.O_RDWR, 0o644)
		if err != nil {
			return err
		}
		db.lock = f
		err = syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB)
		switch {
		case errors.Is(err, syscall.EWOULDBLOCK):
			db.lock = nil
			return errors.Join(&Error{Code: ErrInUse.Code, Text: "another letthrough is recording into " + db.path,
				Hint: "end it, or name another file with --db"}, f.Close())
		case errors.Is(err, syscall.ENOSYS), errors.Is(err, syscall.ENOTSUP), errors.Is(err, syscall.ENOLCK):
			db.log.Warn("this file system has no locks: do not record into one file twice", "file", db.path)
			return nil
		case err != nil:
			return err
		}
		// Whoever had the lock before may have removed the file since it was opened here.
		if same, err := stillThere(f); same || err != nil {
			return err
		}
		if err := f.Close(); err != nil {
			return err
		}
	}
}

func stillThere(f *os.File) (bool, error) {
	mine, err := f.Stat()
	if err != nil {
		return false, err
	}
	now, err := os.Stat(f.Name())
	if errors.Is(err, os.ErrNotExist) {
		return false, nil
	}
	return os.SameFile(mine, now), err
}

// connect opens a pool. The pragmas stand in the data source name, so that every connection of the
// pool gets them.
func (db *DB) connect(readOnly bool, conns int) (*sql.DB, error) {
	abs, err := filepath.Abs(db.path)
	if err != nil {
		return nil, err
	}
	q := url.Values{
		"_foreign_keys":    {"on"},
		"_busy_timeout":    {fmt.Sprint(busyTimeoutMS)},
		"_synchronous":     {"NORMAL"},
		"_stmt_cache_size": {"64"},
	}
	if readOnly {
		q.Set("_query_only", "on")
	} else {
		q.Set("_auto_vacuum", "incremental") // so that deleted runs give their space back
		q.Set("_journal_mode", "WAL")
		q.Set("_txlock", "immediate")
	}
	dsn := "file:" + escapePath(abs) + "?" + q.Encode()
	pool, err := sql.Open("sqlite3", dsn)
	if err != nil {
		return nil, err
	}
	pool.SetMaxOpenConns(conns)
	pool.SetMaxIdleConns(conns)
	return pool, nil
}

// escapePath keeps what a file may be named from being read as part of the data source name.
func escapePath(path string) string { return (&url.URL{Path: path}).EscapedPath() }

// verify reads pragmas back: SQLite ignores, without a word, what it cannot do.
func verify(ctx context.Context, pool *sql.DB, want [][2]string) error {
	for _, w := range want {
		var got string
		if err := pool.QueryRowContext(ctx, "PRAGMA "+w[0]).Scan(&got); err != nil {
			return fmt.Errorf("pragma %s: %w", w[0], err)
		}
		if !strings.EqualFold(got, w[1]) {
			return fmt.Errorf("pragma %s is %s, want %s: this file system may not support it", w[0], got, w[1])
		}
	}
	return nil
}

// Path is the name of the file as it was given.
func (db *DB) Path() string { return db.path }

// Interrupted lists the runs that Open found cut short and closed.
func (db *DB) Interrupted() []int64 { return db.interrupted }

// Close writes what waits (for at most five seconds) and closes the file. Calling it again does
// nothing and says what the first call said.
func (db *DB) Close() error {
	db.closing.Do(func() {
		var err error
		if db.rec != nil {
			err = db.rec.stop()
		}
		db.closeErr = errors.Join(err, db.release())
	})
	return db.closeErr
}

func (db *DB) release() error {
	var errs []error
	// Readers go first: the last connection to close folds the write-ahead log into the file, and
	// only one that may write can.
	for _, pool := range []*sql.DB{db.r, db.w} {
		if pool != nil {
			errs = append(errs, pool.Close())
		}
	}
	if db.lock != nil { // removed while it is held; left behind it does no harm
		if err := os.Remove(db.lock.Name()); err != nil {
			db.log.Warn("the lock file stays", "error", err)
		}
		errs = append(errs, db.lock.Close())
	}
	return errors.Join(errs...)
}

// change runs f in a transaction on the writing connection.
func (db *DB) change(ctx context.Context, step string, f func(tx *sql.Tx) error) error {
	if db.w == nil {
		return explainFault(db.path, syscall.EROFS)
	}
	tx, err := db.w.BeginTx(ctx, nil)
	if err != nil {
		return db.explain(step, err)
	}
	defer tx.Rollback()
	if err := f(tx); err != nil {
		return db.explain(step, err)
	}
	return db.explain(step, tx.Commit())
}

// look runs f in a reading transaction, so that all it reads belongs together.
func (db *DB) look(ctx context.Context, step string, f func(tx *sql.Tx) error) error {
	tx, err := db.r.BeginTx(ctx, nil)
	if err != nil {
		return db.explain(step, err)
	}
	defer tx.Rollback()
	return db.explain(step, f(tx))
}
