package rig

// Expect takes other settings from now on: another unit stands on the same rig, which may still be warm.
func (g *Guard) Expect(s GuardSettings) { g.set = s }

// UsedAfter is the share that the part of State will have used after so many more seconds of the present
// current.
func (g *Guard) UsedAfter(seconds float64) float64 {
	_, l := g.weakest()
	if l == nil || !(seconds > 0) {
		if l != nil {
			return l.used
		}
		return 0
	}
	tau := l.warm.TauS
	if l.idles(g.square) {
		tau = l.idle
	}
	keep, mean := fading(seconds / tau)
	return l.used*keep + g.square/l.warm.BudgetA2s*seconds*mean
}

// Flows tells whether the present current warms the part of State by more than a hundredth of what it stands.
func (g *Guard) Flows() bool {
	_, l := g.weakest()
	return l != nil && !l.idles(g.square)
}

// RestTo is how long nothing must flow until no part has used more than a share of what it stands, s, with the
// part that takes longest.
func (g *Guard) RestTo(used float64) (restS float64, part string) {
	for n := range g.limits {
		l := &g.limits[n]
		cool := l.warm
		cool.TauS = min(l.idle, cool.TauS)
		if s := cool.RestS(l.used, used); s > restS {
			restS, part = s, l.name
		}
	}
	return restS, part
}
