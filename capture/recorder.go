package capture

import "letthrough/capture/trace"

// Recorder keeps runs. No method may wait for the disk: the Bench calls them with its lock held,
// while samples come in. What cannot be kept is counted and told by Trouble; the test goes on.
//
// All times handed over are on the run's own time base, whose 0 is the first kept sample, and the
// detector is fed exactly these samples: deriving a stored run again gives the live figures.
type Recorder interface {
	// Begin opens a run and gives its number.
	Begin(r trace.RunStart) (run int64, err error)
	// Append takes samples of one channel. The caller reuses b.Samples afterwards.
	Append(run int64, b trace.Batch)
	// Marks takes marks that are new or have changed, told apart by their ID.
	Marks(run int64, marks []trace.Mark)
	// Amend replaces the settings of an open run: its hold was extended or cut short.
	Amend(run int64, s trace.Settings)
	// End closes the run.
	End(run int64, e trace.RunEnd)
	// Trouble says in words what keeps the recorder from storing, empty when all is well, and how
	// many samples were lost to it.
	Trouble() (text string, lost uint64)
}
