package web

import (
	"context"
	"encoding/json"
	"net/url"
	"strings"
	"testing"

	"letthrough/capture"
	"letthrough/capture/judge"
	"letthrough/store"
)

func TestJudgeAnswers(t *testing.T) {
	ts := newTestServer(t)
	ask := func(q string) (int, string) {
		t.Helper()
		status, body, _ := ts.call(t, "GET", "/api/judge?"+q, "")
		return status, string(body)
	}
	status, body := ask("rate_hz=2.5&averaging_s=0,4&resolution_a=0.01&accuracy=" + url.QueryEscape("±(0.8 % + 3)") + "&trials=1")
	var got struct {
		Meter string
		judge.Report
	}
	if err := json.Unmarshal([]byte(body), &got); status != 200 || err != nil {
		t.Fatalf("%d %s", status, body)
	}
	if got.Tests != 7 || len(got.Behaviours) != 7 || len(got.Figures) < 10 || !strings.Contains(got.Meter, "averaging over 0.40 s") {
		t.Errorf("%+v", got)
	}
	for q, want := range map[string]struct {
		status int
		say    string
	}{
		"":                                 {422, "readings a second it gives is missing"},
		"rate_hz=fast":                     {422, "want a number from 0 to 50000"},
		"rate_hz=1e9":                      {422, "50000"},
		"rate_hz=10&averaging_s=-1":        {422, "averaging_s"},
		"rate_hz=10&accuracy=good":         {422, "accuracy"},
		"rate_hz=10&procedure=long":        {422, "none of short"},
		"rate_hz=10&trials=1000":           {422, "trials"},
		"rate_hz=10&instrument=nobody":     {404, "no instrument"},
		"rate_hz=10&speed=2":               {400, "speed"},
		"rate_hz=10&rate_hz=20":            {400, "twice"},
		"rate_hz=10&resolution_a=NaN":      {422, "resolution_a"},
		"rate_hz=10&full_scale_a=Infinity": {422, "full_scale_a"},
	} {
		want.say = strings.Replace(want.say, "twice", "is given 2 times", 1)
		if status, body := ask(q); status != want.status || !strings.Contains(body, want.say) {
			t.Errorf("%q: %d %s, want %d and %q", q, status, body, want.status, want.say)
		}
	}
	ts.judging <- struct{}{}
	if status, _ := ask("rate_hz=10"); status != 429 {
		t.Errorf("while another one is judged: %d, want 429", status)
	}
	<-ts.judging
}

// The page of an instrument begins with what is known of it, and can be asked about a meter that nobody has.
func TestBrowserJudgesAMeter(t *testing.T) {
	ts := newTestServer(t)
	if _, err := ts.db.KeepInstrument(context.Background(), store.Instrument{
		Name: "shunt", Format: "text", Port: "/dev/ttyACM0", Spec: "shunt=text:/dev/ttyACM0?time=us&resolution=0.0005&accuracy=0.5%25&voltage=3",
	}); err != nil {
		t.Fatal(err)
	}
	ts.bench.setState(func(s *capture.State) {
		s.Instruments = []capture.InstrumentState{{Name: "shunt", Format: "text", Port: "/dev/ttyACM0", Spec: "shunt=text:/dev/ttyACM0?time=us&resolution=0.0005&accuracy=0.5%25&voltage=3",
			State: capture.Receiving, Say: "receiving", RateHz: 500, Latest: []capture.LatestJSON{}}}
	})
	tb := openTab(t, 1440, 900)
	tb.open(ts.url + "/instruments")
	tb.until("the way to it", `(document.querySelector("a[href='/meter?instrument=shunt']")?.click(), location.pathname === "/meter")`)
	tb.until("what it can tell", `document.querySelector("h1").textContent === "What shunt can tell" && document.querySelectorAll("tbody").length === 2`)
	if got := eval[string](tb, `document.querySelector("main").innerText`); !strings.Contains(got, "35 tests") || !strings.Contains(got, "told every time") || !strings.Contains(got, "Source resistance") {
		t.Errorf("the page says %q", got)
	}
	if got := eval[string](tb, `document.querySelector("#meter-rate").value`); got != "500" {
		t.Errorf("readings a second are filled in as %q", got)
	}
	tb.shots("meter")
	tb.mustBeAccessible("What a meter can tell")

	tb.open(ts.url + "/meter")
	tb.until("the empty form", `document.querySelector("#meter-rate") && !document.querySelector("tbody")`)
	tb.do(focus("#meter-rate"))
	tb.press("2,5\t0,4\t0,01\r")
	tb.until("what a slow meter can tell", `document.querySelector("main")?.innerText.includes("left open every time")`)
	tb.shots("meter-slow")
	tb.do(focus("#meter-rate"))
	tb.press("x\r")
	tb.until("what is wrong", `document.querySelector(".wrong")?.textContent.includes("want a number from 0 to 50000")`)
	tb.mustBeAccessible("What a meter can tell, a wrong number")
	tb.mustBeClean()
}
