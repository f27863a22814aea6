// Looking at a trace with mouse, finger, pen and keys: what is done to a chart becomes a move of the
// lens. Shared by the Bench and the page of one run.
//
//   wheel          nearer or further around the pointer; sideways, or with Shift: move
//   drag           on the close look: move it; on the whole trace: choose a part, or move the frame
//   two fingers    nearer or further
//   double click   all again
//   + - ← →        the same with keys;  F follow, or hold still;  W all;  T linear or logarithmic time
//   , .            the pointer a reading back or on

/** @typedef {import("./chart.js").TraceChart} TraceChart */
/** @typedef {import("./lens.js").Lens} Lens */
/** @typedef {import("./lens.js").Window} Window */
/** @typedef {import("./lens.js").Limits} Limits */

/**
 * @typedef {object} Look what gestures act on
 * @property {Lens} lens
 * @property {() => Limits} limits what there is to be looked at
 * @property {() => Window} shown what the close look shows, or the whole trace where there is none
 * @property {() => void} changed called after the lens moved
 * @property {TraceChart[]} charts all that show the pointer
 */

const STEP = 1.25; // of a key, and of 100 px of wheel
const DRAG_PX = 4; // less is a click

/**
 * Points to an instant on all charts at once; null: nowhere. The value is said on the chart pointed at
 * and on the further channels.
 * @param {Look} look
 * @param {number | null} t
 * @param {TraceChart} at
 */
export function pointTo(look, t, at) {
  for (const c of look.charts) c.pointTo(t, c === at || c.lane || at.lane);
}

/**
 * Lets a chart be looked at. `isWhole` is the chart that shows all and carries the frame.
 * @param {TraceChart} chart
 * @param {Look} look
 * @param {boolean} isWhole
 */
export function watchChart(chart, look, isWhole) {
  const { host } = chart;
  /** @type {Map<number, {x: number, y: number}>} fingers and buttons that are down */
  const down = new Map();
  /** @type {null | {x: number, t: number, shown: Window, moved: boolean, does: "pan" | "frame" | "part"}} */
  let drag = null;
  let spread = 0; // between two fingers

  const pxOf = (/** @type {{clientX: number}} */ e) => e.clientX - host.getBoundingClientRect().left;

  host.addEventListener(
    "wheel",
    (e) => {
      if (e.ctrlKey || !chart.inPlot(pxOf(e))) return; // with Ctrl the browser enlarges the page
      const sideways = e.shiftKey ? e.deltaY || e.deltaX : Math.abs(e.deltaX) > Math.abs(e.deltaY) ? e.deltaX : 0;
      const unit = e.deltaMode === 1 ? 33 : e.deltaMode === 2 ? 100 : 1;
      const did = sideways
        ? look.lens.pan(look.shown(), (sideways * unit) / 800, look.limits())
        : look.lens.zoom(look.shown(), STEP ** ((e.deltaY * unit) / 100), chart.timeAt(pxOf(e)), look.limits());
      if (!did) return; // nothing left to zoom: the page scrolls
      e.preventDefault();
      look.changed();
    },
    { passive: false },
  );

  host.addEventListener("pointerdown", (e) => {
    if (e.pointerType === "mouse" && e.button !== 0) return;
    const x = pxOf(e);
    if (!chart.inPlot(x)) return;
    down.set(e.pointerId, { x, y: e.clientY });
    if (down.size === 2) {
      drag = null;
      spread = fingers(down);
      return;
    }
    const t = chart.timeAt(x);
    const shown = look.shown();
    const inFrame = look.lens.chosen && t >= shown.from && t <= shown.to;
    drag = { x, t, shown, moved: false, does: !isWhole ? "pan" : inFrame ? "frame" : "part" };
    host.setPointerCapture(e.pointerId);
  });

  host.addEventListener("pointermove", (e) => {
    const x = pxOf(e);
    if (down.has(e.pointerId)) down.set(e.pointerId, { x, y: e.clientY });
    if (down.size === 2) {
      const now = fingers(down);
      if (now > 10 && spread > 10 && look.lens.zoom(look.shown(), spread / now, chart.timeAt(middle(down)), look.limits())) look.changed();
      spread = now;
      return;
    }
    pointTo(look, chart.inPlot(x) ? chart.timeAt(x) : null, chart);
    if (!drag || (!drag.moved && Math.abs(x - drag.x) < DRAG_PX)) return;
    drag.moved = true;
    moveTo(x);
  });

  /** @param {number} x */
  function moveTo(x) {
    if (!drag) return;
    const width = chart.plotWidth();
    if (drag.does === "part") chart.chooseFrom(drag.t, chart.timeAt(x));
    else if (drag.does === "pan") {
      look.lens.pan(drag.shown, -(x - drag.x) / width, look.limits());
      look.changed();
    } else {
      const share = (chart.timeAt(x) - drag.t) / Math.max(drag.shown.to - drag.shown.from, 1e-9);
      look.lens.pan(drag.shown, share, look.limits());
      look.changed();
    }
  }

  const end = (/** @type {PointerEvent} */ e) => {
    down.delete(e.pointerId);
    if (!drag) return;
    const { does, moved, t } = drag;
    drag = null;
    if (does === "part") chart.chooseFrom(null, null);
    if (does !== "part" || !moved || e.type === "pointercancel") return;
    look.lens.select(t, chart.timeAt(pxOf(e)), look.limits());
    look.changed();
  };
  host.addEventListener("pointerup", end);
  host.addEventListener("pointercancel", end);
  host.addEventListener("pointerleave", (e) => {
    if (e.pointerType === "mouse") pointTo(look, null, chart);
  });
  host.addEventListener("dblclick", () => {
    look.lens.whole();
    look.changed();
  });
}

/** @param {Map<number, {x: number, y: number}>} down */
function fingers(down) {
  const [a, b] = [...down.values()];
  return Math.hypot(a.x - b.x, a.y - b.y);
}

/** @param {Map<number, {x: number, y: number}>} down */
function middle(down) {
  const [a, b] = [...down.values()];
  return (a.x + b.x) / 2;
}

/**
 * Does what a key means for the lens; says whether it meant anything. The caller has seen to it that
 * nothing is being typed.
 * @param {string} key of the keyboard event
 * @param {Look} look
 * @returns {boolean}
 */
export function lookKey(key, look) {
  const { lens } = look;
  const shown = look.shown();
  const middle = lens.follows ? shown.to : (shown.from + shown.to) / 2;
  switch (key) {
    case "+":
    case "=":
      lens.zoom(shown, 1 / STEP, middle, look.limits());
      break;
    case "-":
      lens.zoom(shown, STEP, middle, look.limits());
      break;
    case "ArrowLeft":
      lens.pan(shown, -0.25, look.limits());
      break;
    case "ArrowRight":
      lens.pan(shown, 0.25, look.limits());
      break;
    case "f":
    case "F":
      if (lens.follows) lens.still(shown);
      else lens.follow(lens.chosen ? shown : newestOf(shown));
      break;
    case "w":
    case "W":
      lens.whole();
      break;
    case "t":
    case "T":
      lens.log = !lens.log;
      break;
    default:
      return false;
  }
  look.changed();
  return true;
}

/**
 * A fifth of what is shown: enough of the newest to see it move.
 * @param {Window} shown
 */
const newestOf = (shown) => ({ from: shown.to - (shown.to - shown.from) / 5, to: shown.to });
