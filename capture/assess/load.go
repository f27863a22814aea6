package assess

import "letthrough/capture/trace"

// Load is a load with what is worked out of it.
type Load struct {
	trace.Load
	Assumed []string // what was assumed for what is worked out
}

// Known gives a load with what can be worked out of what is known of it.
func Known(l trace.Load) *Load { return &Load{Load: l} }
