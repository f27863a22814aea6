package web

import (
	"fmt"
	"strconv"
	"strings"
	"unicode/utf8"

	"letthrough/capture/rig"
	"letthrough/capture/trace"
)

// The loop as a line drawing, made by the server: it is there without scripts, prints, and its words are text. It is
// drawn twice, lying for a desk and upright for a phone; the style sheet shows the one that fits.

// drawing is plain shapes in the order they are painted.
type drawing struct {
	Width, Height int
	Label         string
	Marks         []mark
}

// mark is one shape: a path, a box, a dot or words, by what of it is set.
type mark struct {
	Class      string
	Path       string
	X, Y, W, H float64
	Dot        float64 // radius
	Text, More string
	Anchor     string
}

func (d *drawing) path(class, format string, a ...any) {
	d.Marks = append(d.Marks, mark{Class: class, Path: fmt.Sprintf(format, a...)})
}

func (d *drawing) box(class string, x, y, w, h float64) {
	d.Marks = append(d.Marks, mark{Class: class, X: x, Y: y, W: w, H: h})
}

func (d *drawing) dot(class string, x, y, r float64) {
	d.Marks = append(d.Marks, mark{Class: class, X: x, Y: y, Dot: r})
}

func (d *drawing) words(class string, x, y float64, anchor, text, more string) {
	d.Marks = append(d.Marks, mark{Class: class, X: x, Y: y, Anchor: anchor, Text: text, More: more})
}

// head is the point of an arrow at x, y that flies along dx, dy.
func (d *drawing) head(x, y, dx, dy float64) {
	d.path("dim-head", "M%s %sL%s %sL%s %sZ", co(x), co(y), co(x-10*dx-4.5*dy), co(y-10*dy-4.5*dx), co(x-10*dx+4.5*dy), co(y-10*dy+4.5*dx))
}

// co writes a coordinate.
func co(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }

// axes place a symbol: u runs along the wire, v to its right hand.
type axes struct {
	x, y    float64
	upright bool
}

func (a axes) at(u, v float64) string {
	if a.upright {
		return co(a.x-v) + " " + co(a.y+u)
	}
	return co(a.x+u) + " " + co(a.y+v)
}

func (d *drawing) across(class string, a axes, u, v float64) {
	if a.upright {
		d.box(class, a.x-v, a.y-u, 2*v, 2*u)
		return
	}
	d.box(class, a.x-u, a.y-v, 2*u, 2*v)
}

// gapOf is the half of the gap that a part leaves in the wire; 0: the wire goes through.
func gapOf(kind string) float64 {
	switch kind {
	case "contact", "switch", "relay":
		return 30
	}
	return 0
}

// symbol draws a part around a point of the wire.
func (d *drawing) symbol(p trace.RigPart, a axes, weak bool) {
	body := "part"
	if weak {
		body = "part is-weak"
	}
	ground := func(u, v float64) {
		if weak {
			d.across("ground", a, u, v)
		}
	}
	switch p.Kind {
	case "fuse":
		ground(34, 11)
		d.across(body, a, 34, 11)
		d.path("wire", "M%sL%s", a.at(-34, 0), a.at(34, 0))
	case "lead":
		if weak {
			ground(40, 8)
			d.across(body, a, 40, 8)
			d.path("wire", "M%sL%s", a.at(-40, 0), a.at(40, 0))
		}
		d.path("dim", "M%sL%sM%sL%s", a.at(-40, -6), a.at(-40, 6), a.at(40, -6), a.at(40, 6))
	case "contact", "switch", "relay":
		if weak {
			ground(42, 12)
			d.across(body, a, 42, 12)
		}
		d.path("wire", "M%sL%s", a.at(-30, 0), a.at(28, -22))
		for _, u := range []float64{-30, 30} {
			x, y := a.x+u, a.y
			if a.upright {
				x, y = a.x, a.y+u
			}
			d.dot("pt", x, y, 4)
		}
	case "lamp":
		ground(17, 17)
		d.dot(body, a.x, a.y, 16)
		d.path("wire", "M%sL%sM%sL%s", a.at(-11, -11), a.at(11, 11), a.at(-11, 11), a.at(11, -11))
	case "instrument":
		ground(17, 17)
		d.dot(body, a.x, a.y, 17)
		d.words("part-n", a.x, a.y+5, "middle", "A", "")
	default:
		ground(42, 14)
		d.across(body, a, 42, 14)
		if p.Kind == "protector" {
			d.path("wire", "M%sL%s", a.at(-30, 22), a.at(24, -22))
		}
	}
}

// loopPart is a part in its place of the drawing.
type loopPart struct {
	part   trace.RigPart
	place  int
	may    string
	weak   bool
	boards []int // places of the instruments across it
}

// loopOf sorts out which parts the current passes and which stand across one.
func loopOf(parts []trace.RigPart, a rig.Answer) (loop []loopPart) {
	across := map[int][]int{}
	for i := range parts {
		if shunt, ok := rig.Across(parts, i); ok {
			across[shunt] = append(across[shunt], i)
		}
	}
	for i, p := range parts {
		if _, ok := rig.Across(parts, i); ok {
			continue
		}
		l := loopPart{part: p, place: i, weak: a.Weakest != nil && *a.Weakest == i, boards: across[i]}
		if i < len(a.Parts) {
			l.may = a.Parts[i].May
		}
		loop = append(loop, l)
	}
	return loop
}

// back is how many parts of the loop are drawn on the way back: the last lead, if nothing else.
func back(loop []loopPart, most int) int {
	n := len(loop)
	switch {
	case n > most+1:
		return n / 2
	case n > 1 && loop[n-1].part.Kind == "lead":
		return 1
	case n > most:
		return n - most
	}
	return 0
}

const shortName = 14

func clipped(name string, most int) string {
	if utf8.RuneCountInString(name) <= most {
		return name
	}
	return string([]rune(name)[:most-1]) + "…"
}

func loopLabel(loop []loopPart, unit trace.Unit) string {
	says := make([]string, 0, len(loop))
	for _, l := range loop {
		s := fmt.Sprintf("%d %s", l.place+1, l.part.Kind)
		if len(l.boards) > 0 {
			s += " with an instrument across it"
		}
		if l.weak {
			s += ", the weakest"
		}
		says = append(says, s)
	}
	if len(says) == 0 {
		return "The unit and an empty loop"
	}
	return "The loop in the order the current passes it, from the unit's plus to its minus: " + strings.Join(says, ", ") + ". The table says the same."
}

func unitWord(unit trace.Unit) string {
	if unit.Name == "" {
		return "no unit"
	}
	return unit.Name
}

// drawLying draws the loop for a desk.
func drawLying(parts []trace.RigPart, a rig.Answer, unit trace.Unit, load bool) drawing {
	const left, right, perRow = 116.0, 856.0, 5
	loop := loopOf(parts, a)
	d := drawing{Width: 872, Label: loopLabel(loop, unit)}
	rows := rowsOf(loop, perRow)
	heights := make([]float64, len(rows))
	y := 74.0
	for k, row := range rows {
		heights[k] = y
		y += 146
		for _, l := range row {
			if len(l.boards) > 0 {
				y += 44
				break
			}
		}
	}
	last := len(rows) - 1
	top, bottom := heights[0], heights[last]
	d.Height = int(y - 78)
	if last == 1 && len(rows[1]) == 0 {
		d.Height = int(bottom + 30)
	}
	d.box("part", 1, top-28, left-2, bottom-top+56)
	d.words("in-unit", 14, (top+bottom)/2-2, "start", clipped(unitWord(unit), shortName-4), "")
	d.words("tick", 14, (top+bottom)/2+17, "start", clipped(plate(unit), 16), "")
	d.words("part-n", left-16, top+5, "middle", "+", "")
	d.words("part-n", left-16, bottom+5, "middle", "−", "")
	wire := strings.Builder{}
	fmt.Fprintf(&wire, "M%s %s", co(left), co(top))
	for k, row := range rows {
		from, to, dir := left+20, right, 1.0
		if k%2 == 1 {
			from, to, dir = right, left+20, -1
		}
		slot := (to - from) / float64(max(len(row), 1))
		for n, l := range row {
			x := from + slot*(float64(n)+0.5)
			if g := gapOf(l.part.Kind); g > 0 {
				fmt.Fprintf(&wire, "H%sM%s %s", co(x-g*dir), co(x+g*dir), co(heights[k]))
			}
		}
		switch {
		case k == last:
			fmt.Fprintf(&wire, "H%s", co(left))
		case k%2 == 0:
			fmt.Fprintf(&wire, "H%sV%s", co(right), co(heights[k+1]))
		default:
			fmt.Fprintf(&wire, "H%sV%s", co(left+20), co(heights[k+1]))
		}
	}
	d.path("wire", "%s", wire.String())
	d.dot("pt", left, top, 4.5)
	d.dot("pt", left, bottom, 4.5)
	d.head(left+20, top, 1, 0)
	d.head(left+12, bottom, -1, 0)
	if load {
		y := heights[1] - 66
		d.box("part", right-11, y-13, 22, 26)
		d.words("tick", right-18, y+4, "end", "load", "")
	}
	for k, row := range rows {
		from, to := left+20, right
		if k%2 == 1 {
			from, to = right, left+20
		}
		slot := (to - from) / float64(max(len(row), 1))
		for n, l := range row {
			d.lying(l, from+slot*(float64(n)+0.5), heights[k])
		}
	}
	return d
}

// rowsOf spreads the loop over an even number of rows, so that the wire comes back to the unit.
func rowsOf(loop []loopPart, perRow int) [][]loopPart {
	pairs := max(1, (len(loop)+2*perRow-1)/(2*perRow))
	if pairs == 1 {
		n := len(loop) - back(loop, perRow)
		return [][]loopPart{loop[:n], loop[n:]}
	}
	rows := make([][]loopPart, 2*pairs)
	for k := range rows {
		rows[k] = loop[k*len(loop)/len(rows) : (k+1)*len(loop)/len(rows)]
	}
	return rows
}

// lying draws one part with its words around it.
func (d *drawing) lying(l loopPart, x, y float64) {
	d.symbol(l.part, axes{x, y, false}, l.weak)
	d.words("part-n", x, y-47, "middle", strconv.Itoa(l.place+1), l.part.Kind)
	d.words("tick", x, y-29, "middle", clipped(rig.Brief(l.part), 22), "")
	below := y + 34
	if len(l.boards) > 0 {
		d.path("soft-line", "M%s %sV%sH%sM%s %sV%sH%s", co(x-42), co(y), co(y+45), co(x-38), co(x+42), co(y), co(y+45), co(x+38))
		d.box("part", x-38, y+30, 76, 30)
		d.words("part-n", x, y+50, "middle", placesOf(l.boards), "input")
		below = y + 78
	}
	if l.weak {
		d.words("say", x, below, "middle", "weakest", "")
		below += 17
	}
	d.words("may", x, below, "middle", l.may, "")
}

func placesOf(places []int) string {
	says := make([]string, len(places))
	for i, p := range places {
		says[i] = strconv.Itoa(p + 1)
	}
	return strings.Join(says, ",")
}

// drawUpright draws the loop for a phone: down on the right, back up on the left.
func drawUpright(parts []trace.RigPart, a rig.Answer, unit trace.Unit, load bool) drawing {
	const x, home, step = 258.0, 28.0, 96.0
	loop := loopOf(parts, a)
	behind := 0
	if n := len(loop); n > 1 && loop[n-1].part.Kind == "lead" {
		behind = 1
	}
	down := loop[:len(loop)-behind]
	rows := len(down)
	if load {
		rows++
	}
	// The lead back stands below the last part, so that the words of both find room.
	bottom := 96 + step*float64(max(rows, 1)+behind)
	d := drawing{Width: 358, Height: int(bottom + 16), Label: loopLabel(loop, unit)}
	d.box("part", 8, 6, 290, 52)
	d.words("in-unit", 159, 30, "middle", clipped(unitWord(unit), 20), "")
	d.words("tick", 159, 48, "middle", clipped(plate(unit), 24), "")
	d.words("part-n", x, 40, "middle", "+", "")
	d.words("part-n", home, 40, "middle", "−", "")
	wire := strings.Builder{}
	fmt.Fprintf(&wire, "M%s 58", co(x))
	for n, l := range down {
		if g := gapOf(l.part.Kind); g > 0 {
			y := 126 + step*float64(n)
			fmt.Fprintf(&wire, "V%sM%s %s", co(y-g), co(x), co(y+g))
		}
	}
	fmt.Fprintf(&wire, "V%sH%sV58", co(bottom), co(home))
	d.path("wire", "%s", wire.String())
	d.dot("pt", x, 58, 4.5)
	d.dot("pt", home, 58, 4.5)
	d.head(x, 80, 0, 1)
	d.head(home, 84, 0, -1)
	for n, l := range down {
		y := 126 + step*float64(n)
		d.symbol(l.part, axes{x, y, true}, l.weak)
		if len(l.boards) > 0 {
			d.path("soft-line", "M%s %sH%sV%sM%s %sH%sV%s", co(x), co(y-42), co(x+65), co(y-15), co(x), co(y+42), co(x+65), co(y+15))
			d.box("part", x+32, y-15, 66, 30)
			d.words("part-n", x+65, y+5, "middle", placesOf(l.boards), "input")
		}
		d.beside(l, x-48, y, "end")
	}
	if load {
		y := 126 + step*float64(rows-1)
		d.box("part", x-14, y-36, 28, 72)
		d.words("tick", x-48, y+4, "end", "the load of this test", "")
	}
	if behind == 1 {
		l, y := loop[len(loop)-1], bottom-54
		d.symbol(l.part, axes{home, y, true}, l.weak)
		d.beside(l, home+20, y, "start")
	}
	return d
}

// beside writes a part's words at one side of it.
func (d *drawing) beside(l loopPart, x, y float64, anchor string) {
	d.words("part-n", x, y-12, anchor, strconv.Itoa(l.place+1), l.part.Kind)
	d.words("tick", x, y+5, anchor, clipped(rig.Brief(l.part), 22), "")
	if l.weak {
		d.words("say", x, y+22, anchor, "weakest:", l.may)
		return
	}
	d.words("may", x, y+22, anchor, l.may, "")
}

// drawStairs draws what the trace of the ladder's stairs will look like.
func drawStairs(l rig.Ladder, ratedA, dwellS float64, width, height int) drawing {
	const left, top = 44.0, 24.0
	right, bottom := float64(width)-2, float64(height)-34
	most, n := 2*ratedA, len(l.Stairs)
	for _, s := range l.Stairs {
		most = max(most, s.CurrentA)
	}
	tick, last := stairTick(most * 1.05)
	y := func(a float64) float64 { return bottom - (bottom-top)*a/(tick*float64(last)) }
	x := func(k int) float64 { return left + (right-left)*float64(k)/float64(n) }
	d := drawing{Width: width, Height: height}
	d.Label = fmt.Sprintf("What the stairs will look like: %d of %s each, from %s to %s", n, rig.Seconds(dwellS), rig.Amps(l.Stairs[0].CurrentA), rig.Amps(l.Stairs[n-1].CurrentA))
	d.box("ground", left, top, right-left, bottom-top)
	d.box("zone", left, y(2*ratedA), right-left, y(1.05*ratedA)-y(2*ratedA))
	for k := 0; k <= last; k++ {
		d.path("hair", "M%s %sH%s", co(left-5), co(y(float64(k)*tick)), co(left))
		word := rig.Plain(float64(k) * tick)
		if k == last {
			word += " A"
		}
		d.words("tick", left-9, y(float64(k)*tick)+4, "end", word, "")
	}
	d.path("axis", "M%s %sV%sH%s", co(left), co(top), co(bottom), co(right))
	d.path("ref", "M%s %sH%s", co(left), co(y(ratedA)), co(right))
	line := fmt.Sprintf("M%s %s", co(left), co(bottom))
	for k, s := range l.Stairs {
		line += fmt.Sprintf("V%sH%s", co(y(s.CurrentA)), co(x(k+1)))
	}
	d.path("plan", "%s", line)
	d.words("say", right-6, y(ratedA)+16, "end", "rated "+rig.Amps(ratedA), "")
	d.words("say is-plain", left+8, y(2*ratedA)+15, "start", "should trip in this band", "")
	every := max(1, (n+3)/4)
	for k := 0; k <= n; k += every {
		anchor, word := "middle", rig.Plain(float64(k)*dwellS)
		if k+every > n {
			anchor, word = "end", word+" s"
		}
		d.path("hair", "M%s %sv5", co(x(k)), co(bottom))
		d.words("tick", x(k), bottom+19, anchor, word, "")
	}
	return d
}

// stairTick gives the step of an axis of about five ticks that holds most, and how many there are.
func stairTick(most float64) (tick float64, n int) {
	for tick = 0.001; ; tick *= 10 {
		for _, m := range []float64{1, 2, 5} {
			if t := m * tick; most <= 6*t {
				return t, int(most/t) + 1
			}
		}
	}
}
