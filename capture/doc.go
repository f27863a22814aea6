// Package capture is the Bench: it owns the instruments, always listens, keeps the last seconds in
// memory, opens a run when it is armed and a fault begins, and ends it by the host's clock.
//
// Who hands what to whom:
//
//	instrument goroutine (one each)   port -> wire -> clock -> inbox (bounded, counts what is lost)
//	bench goroutine                   inboxes -> pre-record, column rings, detector, recorder
//	commands (Arm, Mark, Extend ...)  change the same state under the same lock, at once
//	viewers                           wait on Changed, then pull State, Events and Columns by number
//
// An instrument goroutine takes its inbox's lock and no other, so neither disk nor browser nor a
// command can hold it up. The bench goroutine waits for nobody either: the Recorder promises not to
// wait for the disk, and viewers have no queues that could fill. Lock order: Bench.mu, then an
// inbox's; never the other way round.
package capture
