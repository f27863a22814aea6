package wire

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"letthrough/capture/trace"
)

// frames decodes them. A window of the frame's length moves over the bytes: where it fits, it is a frame
// and the window moves on behind it; where not, it moves on by one byte.
type frames struct {
	d        *description
	channels []trace.Quantity
	channel  []int // of each display, -1: it is not read
	refuse   [][]error
	exp      int // power of ten of numbers without a unit
	limit    [2]float64

	// Readings keep an even pace only within one display: the primary one is what the spec's channel says.
	// What another display shows in frames of its own waits for the primary's next reading.
	primary int
	mixed   bool // other displays have frames of their own, so that a broken frame is anybody's
	held    []Reading
	holds   []bool

	carry   []byte // fewer bytes than a frame has
	join    []byte
	fresh   bool // no frame yet since the beginning or a loss
	noise   int  // bytes since the last frame
	noted   bool // this noise was counted
	told    bool // its beginning was shown
	doubted bool // the last frame came out of noise and was not used
	partial bool // a frame was cut off by a loss
	gap     bool
	missed  int

	counts Counts
	advice []error // of each display
	shown  [maxFrameDigits + 1]byte
}

// muchNoise is how many lengths of a frame make it likely that noise alone fits a description by chance: the
// first frame behind it is not used, and only one that follows it directly is believed.
const muchNoise = 4

var errNoFrame = errors.New("bytes that are no frame as the description says")

func newFrames(s Spec) (Decoder, error) {
	d, err := s.frames()
	if err != nil {
		return nil, err
	}
	use, err := useOf(s, d)
	if err != nil {
		return nil, err
	}
	f := &frames{d: d, advice: make([]error, len(use)), fresh: true, exp: unitExp(s), carry: make([]byte, 0, 2*maxFrame), join: make([]byte, 0, 2*maxFrame)}
	f.primary = slices.Index(use, int(s.Channel))
	for _, v := range d.displays {
		apart := v.when.excludes(d.displays[f.primary].when)
		f.mixed = f.mixed || apart
		f.held, f.holds = append(f.held, Reading{}), append(f.holds, false)
	}
	for i, u := range use {
		f.channel, f.refuse = append(f.channel, -1), append(f.refuse, nil)
		if u < 0 {
			continue
		}
		q := trace.Quantity(u)
		f.channel[i] = len(f.channels)
		f.channels = append(f.channels, q)
		f.limit[f.channel[i]] = s.limitOf(q)
		for _, o := range d.displays[i].others {
			f.refuse[i] = append(f.refuse[i], refusal(o.words, q))
		}
	}
	return f, nil
}

// wanted is what the meter is to be turned to.
var wanted = [...]string{trace.Current: "DC amperes", trace.Voltage: "DC volts"}

// refusal is what is said when the meter shows something else.
func refusal(words string, q trace.Quantity) error {
	return fmt.Errorf("the meter shows %s; turn it to %s", words, wanted[q])
}

// otherQuantity is said when the meter shows volts in place of amperes, by what was wanted.
var otherQuantity = [...]error{
	trace.Current: refusal("volts", trace.Current),
	trace.Voltage: refusal("amperes", trace.Voltage),
}

func (f *frames) Channels() []trace.Quantity { return f.channels }

func (f *frames) Time() (DeviceTime, bool) { return DeviceTime{}, false }

func (f *frames) Counts() Counts { return f.counts }

// Advice says what else the meter shows, as long as it does.
func (f *frames) Advice() string {
	for _, a := range f.advice {
		if a != nil {
			return a.Error()
		}
	}
	return ""
}

// Lost drops the frame that was cut off.
func (f *frames) Lost() {
	f.partial = f.partial || len(f.carry) > 0 || f.fresh && f.noise > 0
	f.carry, f.noise, f.noted, f.told = f.carry[:0], 0, false, false
	f.fresh, f.gap, f.doubted = true, true, false
	clear(f.holds)
}

// Decode reads whole frames straight from the chunk and keeps the rest.
func (f *frames) Decode(dst []Reading, chunk []byte) []Reading {
	size, i := f.d.length, 0
	if n := len(f.carry); n > 0 {
		// Frames that begin in the carry end within the chunk's first bytes.
		f.join = append(append(f.join[:0], f.carry...), chunk[:min(len(chunk), size-1)]...)
		at := 0
		for at < n && at+size <= len(f.join) {
			var step int
			dst, step = f.window(dst, f.join[at:at+size], at+size-n)
			at += step
		}
		if at < n {
			f.carry = append(f.carry[:0], f.join[at:]...)
			return dst
		}
		i = at - n
	}
	for i+size <= len(chunk) {
		var step int
		dst, step = f.window(dst, chunk[i:i+size], i+size)
		i += step
	}
	f.carry = append(f.carry[:0], chunk[i:]...)
	return dst
}

// window reads the frame that b is, or notes that none begins there; it gives how far to move on.
func (f *frames) window(dst []Reading, b []byte, end int) ([]Reading, int) {
	if !f.d.fixed.fits(b) || f.d.sum != nil && !f.d.sum.right(b) {
		f.stray(b, nil)
		return dst, 1
	}
	if f.noise >= muchNoise*len(b) && !f.doubted {
		f.doubted = true
		f.counts.Sniffed++
		return dst, len(b)
	}
	missed, gap := f.missed, f.gap
	if f.noise > 0 && !f.fresh {
		f.lose(f.noise > len(b)+len(b)/2)
	}
	dst, why, whole := f.frame(dst, b, end)
	if !whole { // digits that are none: perhaps a frame begins within these bytes
		f.missed, f.gap = missed, gap
		f.stray(b, why)
		return dst, 1
	}
	if f.partial || f.fresh && f.noise > 0 && !f.noted {
		f.counts.Partial++
	}
	f.partial, f.fresh, f.noise, f.noted, f.told, f.doubted = false, false, 0, false, false, false
	if why != nil {
		f.counts.Garbled++
		f.counts.LastGarbled, f.counts.LastReason = Printable(b), why.Error()
	}
	return dst, len(b)
}

// stray takes the first byte of b, with which no frame begins. Noise counts once, and again for every
// further length of a frame; a rest of a frame at the beginning counts as cut off.
func (f *frames) stray(b []byte, why error) {
	n, size := f.noise, len(b)
	if f.fresh {
		n -= size - 1
	}
	f.noise++
	f.doubted = false
	count := n == 0 || n > 0 && n%size == size/2 && n > size
	if f.noise > 1<<30 {
		f.noise -= size << 20
	}
	begins := len(f.d.start) > 0 && string(b[:len(f.d.start)]) == string(f.d.start)
	if count {
		f.noted = true
		f.counts.Garbled++
	}
	if f.noted && (begins || count && !f.told) {
		f.told = begins
		if why == nil {
			why = f.d.whyNot(b)
		}
		f.counts.LastGarbled, f.counts.LastReason = Printable(b), why.Error()
	}
}

// whyNot says in which byte b is no frame.
func (d *description) whyNot(b []byte) error {
	if len(d.start) > 0 && string(b[:len(d.start)]) != string(d.start) {
		return errNoFrame
	}
	if n := len(b) - len(d.end); len(d.end) > 0 && string(b[n:]) != string(d.end) {
		return fmt.Errorf("a frame that ends in % X, not in % X: a byte was lost or came wrong", b[n:], d.end)
	}
	for _, t := range d.fixed {
		if b[t.at]&t.mask != t.value {
			return fmt.Errorf("byte %d is %02X, expected is %s", t.at, b[t.at], t)
		}
	}
	if c := d.sum; c != nil {
		s := c.of(b[c.from:c.to+1], c.bytes)
		return fmt.Errorf("the checksum is % X, the bytes make % X", b[c.at:c.at+c.bytes], s[:c.bytes])
	}
	return errNoFrame
}

// frame makes readings of a frame. whole is false where its digits are none and nothing else was read.
func (f *frames) frame(dst []Reading, b []byte, end int) (_ []Reading, why error, whole bool) {
	any, read, good := false, false, false
	whole = true
	for i, s := range f.d.displays {
		if !s.when.fits(b) {
			continue
		}
		any = true
		if f.channel[i] < 0 {
			continue
		}
		read = true
		v, over, refused, err := f.value(i, s, b)
		if refused != nil {
			f.advice[i], err = refused, refused
		}
		if err != nil {
			why = err
			whole = whole && !errors.Is(err, errDigits)
			continue
		}
		f.advice[i], good = nil, true
		r := Reading{Value: v, Channel: uint8(f.channel[i])}
		if over || v >= f.limit[r.Channel] || v <= -f.limit[r.Channel] {
			r.Flags = trace.Over
		}
		f.held[i], f.holds[i] = r, true
	}
	switch {
	case !any:
		f.lose(false)
		return dst, errors.New("no display of the description fits these codes"), true
	case !read:
		f.counts.Unused++
	case !whole && !good:
		return dst, why, false
	case f.holds[f.primary]:
		return f.give(dst, end), why, true
	case f.d.displays[f.primary].when.fits(b):
		f.missed++
	}
	return dst, why, true
}

// lose says that readings may be missing: one, or, where nobody can tell how many, a gap.
func (f *frames) lose(unknown bool) {
	if unknown || f.mixed {
		f.gap = true
	} else {
		f.missed++
	}
}

// give appends the primary display's reading and those that waited for it, as of one instant.
func (f *frames) give(dst []Reading, end int) []Reading {
	for i, held := range f.holds {
		if !held {
			continue
		}
		r := f.held[i]
		r.End, r.Missed = end, uint16(min(f.missed, math.MaxUint16))
		if r.Flags&trace.Over != 0 {
			f.counts.Over++
		}
		if f.gap {
			r.Flags |= trace.Gap
		}
		dst = append(dst, r)
		f.counts.Readings++
	}
	clear(f.holds)
	f.missed, f.gap = 0, false
	return dst
}

// value reads what one display shows.
func (f *frames) value(i int, s *display, b []byte) (v float64, over bool, refused, err error) {
	for k := range s.others {
		if s.others[k].when.fits(b) {
			return 0, false, f.refuse[i][k], nil
		}
	}
	unit := fitting(s.units, b)
	if unit == nil {
		return 0, false, nil, fmt.Errorf("a code that no line \"unit\" or \"other\" names%s", codesAt(s.units, b))
	}
	exp, q := unit.exp, f.channels[f.channel[i]]
	switch {
	case unit.symbol == "none":
		exp = f.exp
	case unit.quantity != q:
		return 0, false, otherQuantity[q], nil
	}
	neg := fitting(s.minus, b) != nil
	if !neg && len(s.plus) > 0 && fitting(s.plus, b) == nil {
		return 0, false, nil, fmt.Errorf("a code that is neither plus nor minus%s", codesAt(s.plus, b))
	}
	shown, wrong := f.show(s, b)
	if s.sign == signDigits {
		neg = len(shown) > 0 && shown[0] == '-'
	}
	if over = fitting(s.over, b) != nil; !over && wrong < 0 {
		over = s.saysOver(shown)
	}
	if over {
		if neg {
			return math.Inf(-1), true, nil, nil
		}
		return math.Inf(1), true, nil, nil
	}
	if wrong >= 0 {
		return 0, false, nil, fmt.Errorf("%w: digit %d, in byte %d", errDigits, wrong+1, s.places[wrong][0].at)
	}
	decimals := fitting(s.decimals, b)
	if decimals == nil && !s.point {
		return 0, false, nil, fmt.Errorf("a code that no line \"decimals\" names%s", codesAt(s.decimals, b))
	}
	if decimals != nil {
		exp -= decimals.decimals
	}
	v, err = s.number(shown, exp)
	if neg && v != 0 {
		v = -v
	}
	return v, false, nil, err
}

// fitting gives the rule that holds for a frame, or nil.
func fitting(rules []frameRule, b []byte) *frameRule {
	for i := range rules {
		if rules[i].when.fits(b) {
			return &rules[i]
		}
	}
	return nil
}

// codesAt shows the bytes that rules look at.
func codesAt(rules []frameRule, b []byte) string {
	var out strings.Builder
	seen := [maxFrame]bool{}
	for _, r := range rules {
		for _, t := range r.when {
			if !seen[t.at] {
				seen[t.at] = true
				fmt.Fprintf(&out, ", byte %d is %02X", t.at, b[t.at])
			}
		}
	}
	return strings.Replace(out.String(), ",", ":", 1)
}
