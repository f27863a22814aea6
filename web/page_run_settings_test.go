package web

import (
	"strings"
	"testing"

	"letthrough/capture/trace"
)

// Twice the rating leaves the amperes as they are and halves every multiple of it: those are changes, too.
func TestAnotherRatingChangesTheMultiplesThatAreShown(t *testing.T) {
	ts := newTestServer(t, func(o *Options) { o.Derive = deriveReally })
	id := shortOf(t, ts.db, trace.Unit{Name: "Slate", RatedCurrentA: 1.5, RatedVoltageV: 12, Waveform: trace.DC}, 12000, func(s float64) float64 {
		if s < 0.5 {
			return 5.1
		}
		return 0
	})
	path := "/api/runs/" + idList([]int64{id}) + "/derive"
	var same, twice struct {
		Changes []changeJSON `json:"changes"`
		Same    int          `json:"same"`
	}
	ts.must(t, "POST", path, `{"settings":{}}`, &same)
	ts.must(t, "POST", path, `{"settings":{"rated_current_a":3}}`, &twice)
	if len(same.Changes) != 0 || same.Same == 0 {
		t.Fatalf("the same settings change %+v and leave %d", same.Changes, same.Same)
	}
	rows := map[string]changeJSON{}
	for _, c := range twice.Changes {
		rows[c.Key] = c
	}
	for key, want := range map[string][2]string{"peak_times_rated": {"3.4", "1.7"}, "sustained_times_rated": {"3.4", "1.7"}} {
		if c := rows[key]; !strings.HasPrefix(c.Old, want[0]) || !strings.HasPrefix(c.New, want[1]) || !strings.HasSuffix(c.So, " less") {
			t.Errorf("%s: %+v, want from %s to %s", key, c, want[0], want[1])
		}
	}
	for _, key := range []string{"peak_current_a", "sustained_current_a"} {
		if c := rows[key]; !strings.HasSuffix(c.Old, "A, 3.4 × rated") || !strings.HasSuffix(c.New, "A, 1.7 × rated") || c.So != "the same number" {
			t.Errorf("%s: %+v", key, c)
		}
	}
	if n := len(twice.Changes) + twice.Same; n != same.Same {
		t.Errorf("%d figures change and %d stay, of %d", len(twice.Changes), twice.Same, same.Same)
	}
}
