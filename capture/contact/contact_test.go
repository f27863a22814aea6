package contact_test

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"letthrough/capture/contact"
)

// fakeLines are the lines of a port with a relay across them.
type fakeLines struct {
	rts, dtr         bool
	failRTS, failDTR error
	failClose        error
	closed           int
	wasClosed        bool // the relay was on at some moment
	cts, dsr         bool
}

func opened() *fakeLines { return &fakeLines{rts: true, dtr: true} }

func (f *fakeLines) relay() bool { return f.rts && !f.dtr }

func (f *fakeLines) look() { f.wasClosed = f.wasClosed || f.relay() }

func (f *fakeLines) SetRTS(on bool) error {
	if f.failRTS != nil {
		return f.failRTS
	}
	f.rts = on
	f.look()
	return nil
}

func (f *fakeLines) SetDTR(on bool) error {
	if f.failDTR != nil {
		return f.failDTR
	}
	f.dtr = on
	f.look()
	return nil
}

func (f *fakeLines) Inputs() (cts, dsr bool, err error) { return f.cts, f.dsr, nil }

func (f *fakeLines) Close() error {
	f.closed++
	if f.failClose != nil {
		return f.failClose
	}
	f.rts, f.dtr = false, false
	return nil
}

func mustDrive(t *testing.T, f *fakeLines) *contact.Driven {
	t.Helper()
	d, err := contact.NewDriven(f)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

func TestTheContactClosesWithRTSRaisedAndDTRLoweredOnly(t *testing.T) {
	f := opened()
	d := mustDrive(t, f)
	if d.Closed() || f.relay() || f.wasClosed {
		t.Fatal("closed as soon as the port was opened")
	}
	if err := d.Close(); err != nil || !f.rts || f.dtr || !d.Closed() {
		t.Fatalf("after Close: RTS %v, DTR %v, closed %v, %v", f.rts, f.dtr, d.Closed(), err)
	}
	if err := d.Open(); err != nil || f.relay() || d.Closed() {
		t.Fatalf("after Open: RTS %v, DTR %v, closed %v, %v", f.rts, f.dtr, d.Closed(), err)
	}
	if err := d.Leave(); err != nil || f.rts || f.dtr || f.closed != 1 {
		t.Fatalf("after Leave: RTS %v, DTR %v, given back %d times, %v", f.rts, f.dtr, f.closed, err)
	}
	if err := d.Close(); !errors.Is(err, contact.ErrGone) || f.relay() {
		t.Errorf("closed a contact whose port was given back: %v", err)
	}
	if err := errors.Join(d.Open(), d.Leave()); err != nil || f.closed != 1 {
		t.Errorf("given back %d times, %v", f.closed, err)
	}
}

// Whatever state the lines were left in, taking them over closes the contact at no moment.
func TestTakingTheLinesOverNeverClosesTheContact(t *testing.T) {
	for _, f := range []*fakeLines{{}, {rts: true, dtr: true}, {dtr: true}} {
		before := fmt.Sprint(*f)
		mustDrive(t, f)
		if f.wasClosed {
			t.Errorf("from %s the contact was closed for a moment", before)
		}
	}
}

func TestAClosedContactIsOpenedSomehow(t *testing.T) {
	no := errors.New("the adapter does not answer")
	for name, c := range map[string]struct {
		fail   func(*fakeLines)
		open   bool
		closed int // times the port was given back
	}{
		"by DTR":                        {func(*fakeLines) {}, true, 0},
		"by RTS where DTR stays":        {func(f *fakeLines) { f.failDTR = no }, true, 0},
		"by the port where both stay":   {func(f *fakeLines) { f.failDTR, f.failRTS = no, no }, true, 1},
		"not at all: somebody must act": {func(f *fakeLines) { f.failDTR, f.failRTS, f.failClose = no, no, no }, false, 1},
	} {
		t.Run(name, func(t *testing.T) {
			f := opened()
			d := mustDrive(t, f)
			if err := d.Close(); err != nil {
				t.Fatal(err)
			}
			c.fail(f)
			err := d.Open()
			if f.relay() == c.open || d.Closed() == c.open || (err == nil) != c.open || f.closed != c.closed {
				t.Errorf("relay on %v, counts as closed %v, given back %d times, %v", f.relay(), d.Closed(), f.closed, err)
			}
			if err != nil && !strings.Contains(err.Error(), no.Error()) {
				t.Errorf("%v does not say why", err)
			}
		})
	}
}

func TestACloseThatFailsHalfWayLeavesTheContactOpen(t *testing.T) {
	no := errors.New("no")
	for name, fail := range map[string]func(*fakeLines){
		"RTS does not rise": func(f *fakeLines) { f.failRTS = no },
		"DTR does not fall": func(f *fakeLines) { f.failDTR = no },
	} {
		t.Run(name, func(t *testing.T) {
			f := opened()
			d := mustDrive(t, f)
			fail(f)
			if err := d.Close(); !errors.Is(err, no) || f.relay() || d.Closed() {
				t.Errorf("err %v, relay on %v, counts as closed %v", err, f.relay(), d.Closed())
			}
		})
	}
	f := &fakeLines{failRTS: no}
	if _, err := contact.NewDriven(f); !errors.Is(err, no) {
		t.Errorf("lines that do not obey were taken over: %v", err)
	}
}

func TestSpec(t *testing.T) {
	for line, want := range map[string]contact.Spec{
		"/dev/ttyUSB1":           {Port: "/dev/ttyUSB1", Drive: true},
		"/dev/ttyUSB1?sense=cts": {Port: "/dev/ttyUSB1", Drive: true, Sense: "cts"},
		"/dev/ttyUSB1?drive=no&sense=dsr&closed=lowered": {Port: "/dev/ttyUSB1", Sense: "dsr", Lowered: true},
		"/dev/serial/by-id/usb-a_b-if00?drive=yes":       {Port: "/dev/serial/by-id/usb-a_b-if00", Drive: true},
	} {
		got, err := contact.ParseSpec(line)
		if err != nil || got != want {
			t.Errorf("%s: %+v, %v; want %+v", line, got, err, want)
		}
		if again, err := contact.ParseSpec(got.String()); err != nil || again != got {
			t.Errorf("%s is written as %s and read as %+v, %v", line, got, again, err)
		}
	}
	for line, says := range map[string]string{
		"":                                  "names no port",
		"?sense=cts":                        "names no port",
		"/dev/x\n":                          "names no port",
		"/dev/x?drive=no":                   "nothing is left",
		"/dev/x?closed=lowered":             "sensed line",
		"/dev/x?sense=rts":                  "none of cts, dsr",
		"/dev/x?drive=maybe":                "none of yes, no",
		"/dev/x?sense=cts&closed=up":        "none of raised, lowered",
		"/dev/x?sense=cts&sense=dsr":        "2 times",
		"/dev/x?baud=9600":                  "no option",
		"/dev/x?sense=%zz":                  "%zz",
		"/dev/" + strings.Repeat("x", 2000): "too long",
	} {
		if s, err := contact.ParseSpec(line); err == nil || !strings.Contains(err.Error(), says) {
			t.Errorf("%.60q: %+v, %v; want it to say %q", line, s, err, says)
		}
	}
}

func FuzzParseSpec(f *testing.F) {
	f.Add("/dev/ttyUSB1?drive=no&sense=dsr&closed=lowered")
	f.Add("?sense=cts")
	f.Fuzz(func(t *testing.T, line string) {
		s, err := contact.ParseSpec(line)
		if err != nil {
			return
		}
		if again, err := contact.ParseSpec(s.String()); err != nil || again != s {
			t.Errorf("%q: %+v is written as %q and read as %+v, %v", line, s, s, again, err)
		}
	})
}

const ms = int64(1e6)

// followed looks at a pole every 10 ms, 1 ms a look, and gives the changes.
func followed(t *testing.T, spec contact.Spec, fromNS, toNS int64, raised func(ns int64) bool) (out []contact.Change) {
	t.Helper()
	s := contact.NewSensed(spec)
	for at := fromNS; at < toNS; at += 10 * ms {
		line := raised(at + ms/2)
		cts, dsr := line, false
		if spec.Sense == contact.SenseDSR {
			cts, dsr = false, line
		}
		if c, ok := s.Look(at, at+ms, cts, dsr); ok {
			out = append(out, c)
		}
	}
	return out
}

func TestASensedContact(t *testing.T) {
	cts := contact.Spec{Sense: contact.SenseCTS}
	within := func(from, to int64) func(int64) bool { return func(ns int64) bool { return ns >= from && ns < to } }
	for name, c := range map[string]struct {
		spec   contact.Spec
		raised func(int64) bool
		closed []bool
	}{
		"closes and opens":              {cts, within(100*ms, 400*ms), []bool{true, false}},
		"on DSR":                        {contact.Spec{Sense: contact.SenseDSR}, within(100*ms, 400*ms), []bool{true, false}},
		"the other way round":           {contact.Spec{Sense: contact.SenseCTS, Lowered: true}, within(100*ms, 400*ms), []bool{false, true}},
		"closed all along is no change": {cts, within(0, 1e18), nil},
		"a touch of one look is none":   {cts, within(100*ms, 105*ms), nil},
		"bouncing is one closing":       {cts, func(ns int64) bool { return ns >= 100*ms && (ns > 125*ms || ns/(10*ms)%2 == 0) }, []bool{true}},
		"chatter that comes to nothing": {cts, func(ns int64) bool { return ns >= 100*ms && ns < 160*ms && ns/(10*ms)%2 == 0 }, nil},
	} {
		t.Run(name, func(t *testing.T) {
			var got []bool
			for _, ch := range followed(t, c.spec, 0, 600*ms, c.raised) {
				got = append(got, ch.Closed)
			}
			if fmt.Sprint(got) != fmt.Sprint(c.closed) {
				t.Errorf("changes %v, want %v", got, c.closed)
			}
		})
	}
}

// The instant lies within its bounds, whenever the pole moves, however late the adapter tells it, and
// however the pole bounces.
func TestASensedInstantIsWithinItsUncertainty(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		make := rapid.Int64Range(50*ms, 150*ms).Draw(rt, "make")
		open := make + rapid.Int64Range(100*ms, 300*ms).Draw(rt, "hold")
		late := rapid.Int64Range(0, 15*ms).Draw(rt, "late")
		bounce := rapid.Int64Range(0, 8*ms).Draw(rt, "bounce")
		raised := func(ns int64) bool {
			ns -= late
			switch {
			case ns < make || ns >= open+bounce:
				return false
			case ns < make+bounce || ns >= open:
				return ns/(ms)%2 == 0
			}
			return true
		}
		changes := followed(t, contact.Spec{Sense: contact.SenseCTS}, 0, 800*ms, raised)
		if len(changes) != 2 || !changes[0].Closed || changes[1].Closed {
			rt.Fatalf("changes %+v, want one closing and one opening", changes)
		}
		for i, truth := range []int64{make, open} {
			c := changes[i]
			if truth+bounce < c.FromNS || truth > c.ToNS {
				rt.Errorf("change %d between %d and %d ns, it was at %d", i, c.FromNS, c.ToNS, truth)
			}
			if d := math.Abs(float64(c.AtNS()-truth)) / 1e9; d > math.Sqrt(3)*c.US()+float64(bounce)/1e9 {
				rt.Errorf("change %d is marked %g s off, with U %g s", i, d, c.US())
			}
			if c.US() > 0.04 {
				rt.Errorf("U %g s is wider than two looks and the adapter's delay", c.US())
			}
		}
	})
}
