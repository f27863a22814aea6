package web

import (
	"context"
	"fmt"
	"os"
	"strings"
	"testing"

	"letthrough/capture/rig"
	"letthrough/capture/trace"
)

// tall takes pictures of the whole page.
func (tb *tab) tall(name string) {
	tb.t.Helper()
	if os.Getenv("LETTHROUGH_SHOTS") == "" {
		return
	}
	eval[bool](tb, `scrollTo(0, 0), true`)
	for _, size := range [][2]int64{{1440, 2500}, {1024, 3200}, {390, 6400}} {
		tb.size(size[0], size[1])
		tb.shot(fmt.Sprintf("%s-%d", name, size[0]))
	}
	tb.size(1440, 2500)
	tb.dark(true)
	tb.shot(name + "-dark-1440")
	tb.dark(false)
	tb.size(1440, 900)
}

// pressAlt presses an arrow with Alt.
func (tb *tab) pressAlt(key string) {
	tb.t.Helper()
	eval[bool](tb, fmt.Sprintf(`document.activeElement.dispatchEvent(new KeyboardEvent("keydown", {key: %q, altKey: true, bubbles: true, cancelable: true})), true`, key))
}

// choose picks an option as a person does, by its words.
func (tb *tab) choose(id, starts string) {
	tb.t.Helper()
	tb.do(focus("#" + id))
	found := eval[bool](tb, fmt.Sprintf(`(() => { const s = document.getElementById(%q); const o = [...s.options].find((o) => o.text.startsWith(%q)); if (!o) return false; s.value = o.value; s.dispatchEvent(new Event("change", {bubbles: true})); return true })()`, id, starts))
	if !found {
		tb.t.Fatalf("#%s has no choice that begins with %q", id, starts)
	}
}

// An unfit rig is made fit from the starter set, by the keyboard alone: the answer names the weakest part and its cure, a
// change is taken back, and what was answered stands in the address.
func TestBrowserRigIsBuiltByKeyboard(t *testing.T) {
	ts := newBenchServer(t)
	if _, err := ts.db.CreateUnit(context.Background(), trace.Unit{Name: "Clay", RatedVoltageV: 16, RatedCurrentA: 3, Waveform: trace.DC}); err != nil {
		t.Fatal(err)
	}
	tb := openTab(t, 1440, 900)
	tb.open(ts.url)
	tb.until("the way to the page", `document.querySelector(".nav a[href='/rig']")`)
	tb.open(ts.url + "/rig")
	tb.until("the empty shelf", `document.querySelector("#starter") && document.querySelector("#answer-head").textContent === "No rig yet"`)
	tb.shots("rig-empty")
	tb.mustBeAccessible("Rig, empty shelf")

	tb.do(focus("#starter"))
	tb.press("\r")
	tb.until("the starter's rig", `document.querySelectorAll(".rig-parts tbody tr").length === 6 && document.activeElement.id === "put-part"`)
	tb.until("that the answer was said aloud", `document.querySelector("#rig-said").textContent.startsWith("Fit for")`)

	// A rig of one's own: the parts that an unlucky tester takes.
	tb.do(focus("#rig-new"))
	tb.press("\r")
	tb.until("the question for its name", `document.querySelector("#name-dialog[open]") && document.activeElement.id === "name-text"`)
	tb.press("weak one\r")
	tb.until("the new rig", `document.querySelector("#ask-rig").selectedOptions[0].text === "weak one" && document.activeElement.id === "put-part"`)
	for i, part := range []string{"test lead 1 m 2.5", "relay 30 A", "shunt 0.1 Ω 1 W", "shunt board"} {
		tb.choose("put-part", part)
		tb.do(focus("#put-go"))
		tb.press("\r")
		tb.until(part+" in its place", fmt.Sprintf(`document.querySelectorAll(".rig-parts tbody tr").length === %d && document.activeElement.id === "put-part"`, i+1))
	}
	answer := eval[string](tb, `document.querySelector("#rig-answer").innerText + document.querySelector("#rig-effect").innerText`)
	for _, want := range []string{"Unfit", "shunt 0.1 Ω 1 W", "What would cure it", "1 mΩ, 1 W in its place", "There is no fuse", "Readings of the shunt board's input stop at 16 A"} {
		if !strings.Contains(answer, want) {
			t.Errorf("the answer lacks %q: %s", want, answer)
		}
	}
	if got := eval[string](tb, `document.querySelector(".rig-parts .is-weak").innerText`); !strings.Contains(got, "unfit, the weakest") {
		t.Errorf("the weakest row says %q", got)
	}
	tb.tall("rig-unfit")
	tb.mustBeAccessible("Rig, unfit")

	// The cure: other parts, a fuse in front, in the right order.
	tb.do(focus("#out-2"))
	tb.press("\r")
	tb.until("the shunt gone", `document.querySelectorAll(".rig-parts tbody tr").length === 3 && document.querySelector("#rig-undo").innerText.includes("Taken out: shunt 0.1")`)
	for _, part := range []string{"shunt 0.001", "fuse T 6.3"} {
		tb.choose("put-part", part)
		tb.do(focus("#put-go"))
		tb.press("\r")
		tb.until(part, fmt.Sprintf(`[...document.querySelectorAll(".rig-parts tbody th b")].at(-1)?.textContent.startsWith(%q)`, part))
	}
	for range 4 {
		place := eval[int](tb, `[...document.querySelectorAll(".rig-parts tbody th b")].findIndex((b) => b.textContent.startsWith("fuse"))`)
		if place == 0 {
			break
		}
		tb.do(focus(fmt.Sprintf("#up-%d", place)))
		if place%2 == 0 {
			tb.press("\r")
		} else {
			tb.pressAlt("ArrowUp")
		}
		tb.until("the fuse one earlier", fmt.Sprintf(`[...document.querySelectorAll(".rig-parts tbody th b")].findIndex((b) => b.textContent.startsWith("fuse")) === %d && document.activeElement.closest("tr")?.dataset.place === "%d"`, place-1, place-1))
	}
	tb.until("a fit rig", `document.querySelector("#answer-head").textContent.startsWith("Fit")`)
	if got := eval[string](tb, `document.querySelector("#rig-said").textContent`); !strings.HasPrefix(got, "Fit") {
		t.Errorf("said aloud is %q", got)
	}
	tb.tall("rig-fit")
	tb.mustBeAccessible("Rig, fit")

	// Taken back, and once more.
	tb.do(focus("#undo-go"))
	tb.press("\r")
	tb.until("the fuse second", `[...document.querySelectorAll(".rig-parts tbody th b")].findIndex((b) => b.textContent.startsWith("fuse")) === 1`)
	kept, err := ts.db.Rigs().ByName(context.Background(), "weak one")
	if err != nil || len(kept.Parts) != 5 || kept.Parts[1].Kind != "fuse" {
		t.Errorf("in the store: %+v, %v", kept, err)
	}

	// What is asked stands in the address.
	tb.do(focus("#ask-hold"))
	tb.press("12")
	tb.until("the address", `location.search.includes("hold=12") && document.querySelector("#rig-under").textContent.includes("12 s hold")`)
	address := eval[string](tb, `location.href`)
	tb.open(address)
	tb.until("the same again", `document.querySelector("#ask-hold").value === "12" && document.querySelector("#ask-rig").selectedOptions[0].text === "weak one"`)
	// The Bench goes on with the same, and leads back.
	eval[bool](tb, `document.querySelector("#to-bench").click(), true`)
	tb.until("the Bench with the same", `location.pathname === "/" && document.querySelector("#rig-choice")?.value === "weak one" && document.querySelector("#hold").value === "12" && document.querySelector("#unit-choice").selectedOptions[0].text.startsWith("Clay")`)
	tb.until("the way back", `document.querySelector("#to-rig").getAttribute("href") === "/rig?unit=1&rig=weak+one"`)
	tb.shots("rig-bench")
	tb.mustBeAccessible("Bench, with a rig chosen")
	eval[bool](tb, `document.querySelector("#to-rig").click(), true`)
	tb.until("the rig again", `location.pathname === "/rig" && document.querySelector("#ask-rig").selectedOptions[0].text === "weak one"`)
	tb.open(address)
	tb.until("the hold again", `document.querySelector("#ask-hold")?.value === "12"`)
	tb.do(focus("#ask-hold"))
	tb.press("x")
	tb.until("what is wrong", `document.querySelector("#wrong-hold").textContent.includes("no number") && document.querySelector("#ask-hold").value === "x12"`)
	tb.mustBeClean()
}

// The parts' forms refuse and warn where one types, the two loads and the ladder are worked out as they are typed, and a
// name that looks like markup is text.
func TestBrowserRigPartsLoadsAndLadder(t *testing.T) {
	ts := newBenchServer(t)
	ctx := context.Background()
	if _, err := ts.db.CreateUnit(ctx, trace.Unit{Name: "Tin", RatedVoltageV: 12, RatedCurrentA: 1.4, Waveform: trace.DC}); err != nil {
		t.Fatal(err)
	}
	if _, err := ts.db.AddStarter(ctx, rig.Starter(), rig.StarterRig()); err != nil {
		t.Fatal(err)
	}
	tb := openTab(t, 1440, 900)
	tb.open(ts.url + "/rig")
	tb.until("the page", `document.querySelector("#new-part")`)
	tb.do(focus("#new-part"))
	tb.press("\r")
	tb.until("the form", `document.querySelector("#part-dialog[open]") && document.activeElement.id === "part-name"`)
	tb.choose("part-kind", "lead")
	tb.do(focus("#part-name"))
	tb.press(`<img src=x onerror="window.hurt=1">`)
	tb.do(focus("#part-f-length_m"))
	tb.press("-1")
	tb.until("the refusal", `document.querySelector("#part-f-length_m-wrong").textContent.includes("negative") && document.querySelector("#part-f-length_m").getAttribute("aria-invalid") === "true"`)
	tb.until("nothing is sent", `document.activeElement.id === "part-f-length_m"`)
	tb.press("\r")
	tb.until("it stays open with what was typed", `document.querySelector("#part-dialog[open]") && document.querySelector("#part-f-length_m").value.includes("1") && document.activeElement.id === "part-f-length_m"`)
	eval[bool](tb, `document.querySelector("#part-f-length_m").value = "", true`)
	tb.press("99")
	tb.until("the warning", `document.querySelector("#part-f-length_m-wrong").textContent.includes("very long for a test lead")`)
	tb.until("what is missing", `document.querySelector("#part-f-area_mm2-wrong").textContent.includes("area is not known")`)
	tb.choose("part-area-unit", "AWG")
	tb.do(focus("#part-f-area_mm2"))
	tb.press("18")
	tb.until("the gauge in mm²", `document.querySelector("#part-f-area_mm2-hint").textContent.startsWith("0.823 mm²")`)
	tb.do(focus("#part-f-rated_a"))
	tb.press("99999")
	tb.until("the program's refusal in its place", `document.querySelector("#part-f-rated_a-wrong").textContent.includes("out of range")`)
	tb.shots("rig-part")
	tb.mustBeAccessible("Rig, a part")
	eval[bool](tb, `document.querySelector("#part-f-rated_a").value = "", true`)
	tb.press("7\r")
	tb.until("the part on the shelf", `!document.querySelector("#part-dialog[open]") && document.querySelector("#rig-undo").textContent.includes("<img src=x")`)
	kept, err := ts.db.Parts().ByName(ctx, `<img src=x onerror="window.hurt=1">`)
	if err != nil || kept.AreaMM2 < 0.82 || kept.AreaMM2 > 0.83 || kept.LengthM != 99 || kept.RatedA != 7 {
		t.Errorf("in the store: %+v, %v", kept, err)
	}
	tb.until("the keyboard on its row", `document.activeElement.id.startsWith("shelf-put-")`)
	tb.press("\r")
	tb.until("it in the rig", `document.querySelectorAll(".rig-parts tbody tr").length === 7 && document.querySelector(".rig-parts").innerText.includes("<img src=x")`)
	if eval[bool](tb, `window.hurt === 1 || document.querySelector("main img") !== null`) {
		t.Error("a part's name became markup")
	}
	tb.do(focus("#undo-go"))
	tb.press("\r")
	tb.until("it out of the rig again", `document.querySelectorAll(".rig-parts tbody tr").length === 6 && document.querySelector("#rig-undo").textContent.includes("On the shelf")`)

	// Two harmless loads.
	tb.do(focus("#from-loads"))
	tb.press(" ")
	tb.until("that nothing is assumed in their place", `document.querySelector("#answer-head").textContent.startsWith("Not determined") && document.querySelector("#ask-v1")`)
	tb.do(focus("#ask-v1"))
	tb.press("12,1\t0.02\t0.5\t\t10.4\t0.02\t1.5")
	tb.until("the forecast", `document.querySelector("#loads-kept").textContent.includes("7.618 ± 0.11") || document.querySelector("#loads-kept").textContent.includes("7.62 ± 0.11")`)
	tb.until("the answer by it", `document.querySelector("#answer-head").textContent.startsWith("Fit") && document.querySelector("#ask-v1").value === "12,1"`)
	tb.do(focus("#keep-loads"))
	tb.press("\r")
	tb.until("that it is kept", `document.querySelector("#loads-kept").textContent.includes("Kept on") && document.querySelector("#rig-undo").textContent.includes("kept with the unit")`)
	tb.tall("rig-loads")
	tb.mustBeAccessible("Rig, two loads")

	// The ladder.
	tb.choose("ask-procedure", "Stairs")
	tb.until("the stairs", `document.querySelector("#ask-times") && document.querySelectorAll(".ladder tbody tr").length === 7`)
	tb.until("the load in the drawing", `[...document.querySelectorAll("#loop text")].some((e) => e.textContent.includes("load"))`)
	tb.do(focus("#ask-steps"))
	eval[bool](tb, `document.querySelector("#ask-steps").select(), true`)
	tb.press("0,5; 1; 2")
	tb.until("fewer stairs", `document.querySelectorAll(".ladder tbody tr").length === 3 && document.querySelector("#stairs svg")`)
	tb.press("; 1")
	tb.until("what is wrong", `document.querySelector("#ladder").textContent.includes("is not above the step before it")`)
	tb.tall("rig-ladder")
	tb.mustBeAccessible("Rig, ladder")
	eval[bool](tb, `document.querySelector("#to-list").click(), true`)
	tb.until("the list", `location.pathname === "/rig/list" && document.querySelector("#print")?.hidden === false && document.querySelector("#back-to-rig").href.includes("procedure=steps")`)
	tb.open(ts.url + "/rig/list?procedure=steps")
	tb.tall("rig-list")
	tb.mustBeAccessible("Rig, the list")
	tb.mustBeClean()
}
