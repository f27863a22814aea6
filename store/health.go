package store

import (
	"errors"
	"time"
)

// Health says how storing goes.
type Health struct {
	OK            bool
	Text, Hint    string    // what keeps it from storing, and what to do
	Since         time.Time // since when
	LostSamples   uint64    // by this process
	LostMarks     uint64
	QueuedSamples int // handed over and not on disk yet
	QueueLimit    int
	Commits       uint64
	LastCommit    time.Time
	Samples       uint64 // stored by this process
}

// Health says how storing goes; it never waits.
func (db *DB) Health() Health {
	if db.rec == nil {
		return Health{OK: true}
	}
	db.rec.mu.Lock()
	defer db.rec.mu.Unlock()
	h := db.rec.health
	h.QueuedSamples = db.rec.queued
	return h
}

// Trouble says in words what keeps samples from being stored, empty when all is well, and how many
// were lost to it.
func (db *DB) Trouble() (text string, lost uint64) {
	h := db.Health()
	if !h.OK {
		text = h.Text + "; " + h.Hint
	}
	return text, h.LostSamples
}

// failed says aloud why nothing is stored, in the log at most every 30 s.
func (r *recorder) failed(err error, trouble *backOff) {
	text, hint := "the database "+r.db.path+" takes nothing ("+err.Error()+")", "recording goes on by itself once it does"
	var own *Error
	if errors.As(err, &own) {
		text, hint = own.Text, own.Hint+"; storing then goes on by itself"
	}
	r.mu.Lock()
	if r.health.OK {
		r.health.OK, r.health.Since = false, r.db.now()
	}
	r.health.Text, r.health.Hint = text, hint
	queued, lost := r.queued, r.health.LostSamples
	r.mu.Unlock()
	if trouble.speak(time.Now()) {
		r.db.log.Error("nothing can be stored", "reason", text, "error", err, "waiting_samples", queued, "lost_samples", lost)
	}
}

// backOff spaces out attempts and log lines while the disk fails.
type backOff struct {
	tries       int
	next, spoke time.Time
}

func (b *backOff) waiting(now time.Time) bool { return now.Before(b.next) }

func (b *backOff) failed(now time.Time) {
	b.tries++
	b.next = now.Add(min(commitEvery<<min(b.tries, 8), retryAtMost))
}

func (b *backOff) speak(now time.Time) bool {
	if !b.spoke.IsZero() && now.Sub(b.spoke) < logTroubleEvery {
		return false
	}
	b.spoke = now
	return true
}
