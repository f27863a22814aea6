package trip_test

import (
	"testing"

	"letthrough/capture/trace"
)

// A driven contact that took its time to open says so in its mark: a fall within that time is its doing, one
// outside it is the unit's.
func TestFallWithinTheContactsOwnTimeIsTheRemoval(t *testing.T) {
	for u, want := range map[float64]trace.Behaviour{0.02: trace.Latching, 0.6: trace.Sustained} {
		current := wave(1000, 0, 9, func(at float64) float64 { return between(at, 2, 6.6, 5) })
		d := finish(t, trace.Settings{RatedCurrentA: 1}, current, trace.Mark{Kind: trace.Removed, T: 7, U: u, By: trace.Contact})
		if d.Behaviour != want {
			t.Errorf("a fall 0.4 s before a contact's opening known to %g s: %s, want %s", u, d.Behaviour, want)
		}
	}
}
