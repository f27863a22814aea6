package assess_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"letthrough/capture/assess"
	"letthrough/capture/trace"
)

const good = `criterion a
say: stops
judges: time_to_cutoff_s
pass: at most 1 s
`

func TestWhatIsWrongWithASetIsSaidWithLineAndKey(t *testing.T) {
	for name, tc := range map[string]struct {
		text, want string
	}{
		"nothing":            {"", `there is no criterion`},
		"only about":         {"about: x\n", `there is no criterion`},
		"no colon":           {good + "whatever\n", `line 5: "whatever" is neither`},
		"unknown figure":     {strings.Replace(good, "time_to_cutoff_s", "time_to_cutof_s", 1), `line 3, judges: there is no figure "time_to_cutof_s"; was time_to_cutoff_s meant?`},
		"far figure":         {strings.Replace(good, "time_to_cutoff_s", "speed", 1), `line 3, judges: there is no figure "speed"; the page on figures`},
		"unknown unit":       {strings.Replace(good, "1 s", "1 fortnight", 1), `line 4, pass: the unit "fortnight" does not fit; use s`},
		"unit of another":    {strings.Replace(good, "1 s", "1 x rated", 1), `line 4, pass: the unit "x rated" does not fit; use s`},
		"no unit":            {strings.Replace(good, "1 s", "1", 1), `line 4, pass: the unit "" does not fit`},
		"no number":          {strings.Replace(good, "1 s", "soon s", 1), `line 4, pass: "soon" is no number`},
		"comma":              {strings.Replace(good, "1 s", "0,5 s", 1), `line 4, pass: "0,5": write the decimal point as a point`},
		"not a number":       {strings.Replace(good, "1 s", "NaN s", 1), `"NaN" is no number`},
		"endless":            {strings.Replace(good, "1 s", "Inf s", 1), `out of range`},
		"negative":           {strings.Replace(good, "1 s", "-1 s", 1), `-1 is out of range`},
		"hexadecimal":        {strings.Replace(good, "1 s", "0x1p3 s", 1), `"0x1p3" is no number`},
		"no limit":           {strings.Replace(good, "at most 1 s", "soon", 1), `line 4, pass: "soon" is no limit: write "at most 1 s"`},
		"range upside down":  {strings.Replace(good, "at most 1 s", "2 to 1 s", 1), `from 2 to 1 is no range`},
		"caution narrower":   {good + "caution: at most 0.5 s\n", `line 5, caution: contradicts pass`},
		"caution the same":   {good + "caution: at most 1 s\n", `line 5, caution: is the same as pass`},
		"caution other way":  {good + "caution: at least 5 s\n", `line 5, caution: is written in another way`},
		"pass missing":       {"criterion a\nsay: x\njudges: hold_s\n", `line 1, a: needs a line pass:`},
		"say missing":        {"criterion a\njudges: hold_s\npass: at most 1 s\n", `line 1, a: needs a line say:`},
		"judges missing":     {"criterion a\nsay: x\npass: at most 1 s\n", `line 1, a: needs a line judges:`},
		"twice a key":        {good + "say: once more\n", `line 5, say: stands twice in this criterion, first on line 2`},
		"twice a name":       {good + "\n" + good, `line 6, criterion: there is a criterion "a" already`},
		"unknown key":        {good + "limit: 3\n", `line 5, limit: there is no such key; use say`},
		"empty value":        {good + "note:\n", `line 5, note: says nothing`},
		"unknown procedure":  {good + "in: fall\n", `line 5, in: there is no procedure "fall"`},
		"foreign procedure":  {good + "in: ramp\n", `line 5, in: time_to_cutoff_s is no figure of the procedure ramp`},
		"unknown behaviour":  {good + "when: lazy\n", `line 5, when: there is no behaviour "lazy"`},
		"needless level":     {good + "level: at most 1 x rated\n", `line 5, level: only protected_after_s`},
		"missing level":      {strings.Replace(good, "time_to_cutoff_s", "protected_after_s", 1), `line 1, a: protected_after_s needs a line level:`},
		"level upside down":  {strings.Replace(good, "time_to_cutoff_s", "protected_after_s", 1) + "level: at least 1 x rated\n", `line 5, level: is written as "level: at most`},
		"a word too much":    {"criterion a\nsay: x\njudges: behaviour\npass: latching, sleeps\n", `line 4, pass: "sleeps" is none of latching`},
		"a word in both":     {"criterion a\nsay: x\njudges: behaviour\npass: latching\ncaution: latching\n", `line 5, caution: "latching" passes already`},
		"bad name":           {"criterion A b\n", `line 1, criterion: "A b" is no name`},
		"key before":         {"say: x\n" + good, `line 1, say: only about: may stand before`},
		"about inside":       {good + "about: x\n", `line 5, about: belongs before the first`},
		"control characters": {good + "note: a\x07b\n", `line 5: has characters that are no text`},
		"no text":            {good + "note: \xff\n", `line 5: has characters that are no text`},
		"a long line":        {good + "note: " + strings.Repeat("x", 600) + "\n", `line 5: 606 bytes are too long`},
	} {
		t.Run(name, func(t *testing.T) {
			set, err := assess.Parse(tc.text)
			if err == nil || !strings.Contains(err.Error(), tc.want) {
				t.Errorf("%v, %v; want an error with %q", set, err, tc.want)
			}
		})
	}
}

func TestTheHouseSetSaysThatItIsOneAndIsWrittenAsItIsPrinted(t *testing.T) {
	set, err := assess.Parse(assess.HouseText)
	if err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(strings.ToLower(strings.Join(set.About, " ")), "house rules") {
		t.Errorf("about: %q", set.About)
	}
	if got := set.String(); got != assess.HouseText {
		t.Errorf("printed:\n%s\nwant\n%s", got, assess.HouseText)
	}
	var names []string
	for _, c := range set.Criteria {
		names = append(names, c.Name)
	}
	if want := []string{"stops", "let_through", "flows_on", "trip_current", "carries", "retry_heat"}; !slices.Equal(names, want) {
		t.Errorf("criteria %v, want %v", names, want)
	}
}

func TestLinesMayBeWrittenAsOneLikes(t *testing.T) {
	set, err := assess.Parse("\ufeff# mine\r\nabout:  a \r\n\r\ncriterion  x\r\n\tpass :  at   most 1.50  s\r\n say: y\r\njudges: hold_s\r\nin: short ,carry, short\r\n")
	if err != nil {
		t.Fatal(err)
	}
	want := "about: a\n\ncriterion x\n  say: y\n  judges: hold_s\n  in: short, carry\n  pass: at most 1.5 s\n"
	if got := set.String(); got != want {
		t.Errorf("printed:\n%s\nwant\n%s", got, want)
	}
}

// drawSet makes any set that can be written.
func drawSet(t *rapid.T) string {
	var b strings.Builder
	for range rapid.IntRange(0, 2).Draw(t, "about") {
		fmt.Fprintf(&b, "about: %s\n", rapid.StringMatching(`[a-z][a-z :,#]{0,20}[a-z]`).Draw(t, "line"))
	}
	for i := range rapid.IntRange(1, 4).Draw(t, "criteria") {
		fmt.Fprintf(&b, "criterion c%d\nsay: %s\n", i, rapid.StringMatching(`[A-Z][a-z ]{0,20}[a-z]`).Draw(t, "say"))
		key := rapid.SampledFrom([]string{"time_to_cutoff_s", "let_through_a2s", "trip_current_a", "retry_duty", "behaviour", "protected_after_s"}).Draw(t, "judges")
		low := rapid.Float64Range(0, 100).Draw(t, "low")
		high := low + rapid.Float64Range(0.01, 100).Draw(t, "more")
		unit := map[string]string{"time_to_cutoff_s": "s", "let_through_a2s": "x withstand", "trip_current_a": "x rated", "protected_after_s": "s"}[key]
		fmt.Fprintf(&b, "judges: %s\n", key)
		switch {
		case key == "behaviour":
			b.WriteString("pass: latching, fold_back\ncaution: hiccup\n")
		case rapid.Bool().Draw(t, "between"):
			fmt.Fprintf(&b, "pass: %v to %v %s\n", low, high, unit)
		default:
			fmt.Fprintf(&b, "pass: at most %v %s\ncaution: at most %v %s\n", low, unit, high, unit)
		}
		if key == "protected_after_s" {
			b.WriteString("level: at most 1.3 x rated\n")
		}
		if rapid.Bool().Draw(t, "when") {
			b.WriteString("when: latching, auto_retry\n")
		}
	}
	return b.String()
}

func TestPrintingAndReadingASetChangesNothing(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		text := drawSet(t)
		set, err := assess.Parse(text)
		if err != nil {
			t.Fatalf("%v in\n%s", err, text)
		}
		checkRoundTrip(t, set)
	})
}

func checkRoundTrip(t interface{ Fatalf(string, ...any) }, set assess.Set) {
	printed := set.String()
	again, err := assess.Parse(printed)
	if err != nil {
		t.Fatalf("what was printed cannot be read: %v\n%s", err, printed)
	}
	if !again.Equal(set) || again.String() != printed {
		t.Fatalf("printed and read again it is another one:\n%s\n%s", printed, again)
	}
}

func FuzzParseCriteria(f *testing.F) {
	f.Add(assess.HouseText)
	f.Add(good)
	f.Add(good + "caution: at most 5 s\nwhen: latching\nnote: x: y\n")
	f.Add("criterion a\nsay: x\njudges: trip_times_rated\npass: 1.05 to 2\n")
	f.Fuzz(func(t *testing.T, text string) {
		set, err := assess.Parse(text)
		if err == nil {
			checkRoundTrip(t, set)
		}
	})
}

// house is the parsed house set.
func house(t testing.TB) assess.Set {
	t.Helper()
	set, err := assess.Parse(assess.HouseText)
	if err != nil {
		t.Fatal(err)
	}
	return set
}

func figure(key string, v, u float64, b trace.Bound) trace.Figure {
	return trace.Figure{Key: key, Value: v, U: u, Bound: b}
}
