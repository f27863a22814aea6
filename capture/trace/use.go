package trace

// UseKind says what a stretch of readings was used for.
type UseKind string

// What readings are used for.
const (
	UseEdge  UseKind = "edge"  // an instant lies between these readings
	UseLevel UseKind = "level" // their level
	UseSum   UseKind = "sum"   // their integral over time
	UseMost  UseKind = "most"  // the largest was sought among them
	UsePeak  UseKind = "peak"  // it is the largest
	UseCount UseKind = "count" // what happened among them was counted
	UseSlope UseKind = "slope" // how fast they rise
)

// Use is a stretch of readings that a figure rests on, both ends included. Times are the readings' own stamps, in
// seconds on the time base that the holder states.
type Use struct {
	As   UseKind  `json:"as"`
	Of   Quantity `json:"of"`
	From float64  `json:"from_s"`
	To   float64  `json:"to_s"`
}

// Uses names for each figure, by its key, the readings that it rests on. A figure without a number rests on none.
type Uses map[string][]Use

// Shifted moves all instants by dt seconds.
func (u Uses) Shifted(dt float64) Uses {
	out := Uses{}
	for key, uses := range u {
		moved := make([]Use, len(uses))
		for i, one := range uses {
			one.From, one.To = one.From+dt, one.To+dt
			moved[i] = one
		}
		out[key] = moved
	}
	return out
}
