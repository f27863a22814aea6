// Marks on the trace of a stored run: taken hold of and moved, with a reason that is asked for and never skipped.

import { GRIP_PX } from "./runlayer.js";

/** @typedef {import("./chart.js").TraceChart} TraceChart */
/** @typedef {import("./runlayer.js").LayerMark} LayerMark */

/**
 * Lets marks be dragged on a chart. A drag that begins at the foot of a mark is the mark's, every other one the
 * look's.
 * @param {TraceChart} chart
 * @param {() => LayerMark[]} marks
 * @param {(drag: {i: number, t: number} | null) => void} dragged while it moves
 * @param {(mark: LayerMark, t: number, perPx: number) => void} dropped
 */
export function dragMarks(chart, marks, dragged, dropped) {
  const { host } = chart;
  /** @type {{i: number, x: number, t: number, id: number} | null} */
  let drag = null;
  const at = (/** @type {PointerEvent} */ e) => {
    const box = host.getBoundingClientRect();
    return { x: e.clientX - box.left, y: e.clientY - box.top };
  };

  /** @param {PointerEvent} e */
  const grip = (e) => {
    const { x, y } = at(e);
    const { plot } = chart;
    const list = marks();
    let best = -1;
    list.forEach((m, i) => {
      const away = Math.abs(chart.pixelOf(m.t) - x);
      const foot = m.kind === "note" ? plot.top + 8 : plot.bottom;
      if (away <= GRIP_PX && Math.abs(y - foot) <= GRIP_PX && (best < 0 || away < Math.abs(chart.pixelOf(list[best].t) - x))) best = i;
    });
    return best;
  };

  host.addEventListener(
    "pointerdown",
    (e) => {
      if (e.pointerType === "mouse" && e.button !== 0) return;
      const i = grip(e);
      if (i < 0) return;
      e.stopImmediatePropagation();
      e.preventDefault();
      host.setPointerCapture(e.pointerId);
      drag = { i, x: at(e).x, t: marks()[i].t, id: e.pointerId };
    },
    { capture: true },
  );
  host.addEventListener(
    "pointermove",
    (e) => {
      if (!drag) {
        host.classList.toggle("is-grip", grip(e) >= 0);
        return;
      }
      e.stopImmediatePropagation();
      const { x } = at(e);
      drag.t = chart.timeAt(Math.min(chart.plot.right, Math.max(chart.plot.left, x)));
      dragged({ i: drag.i, t: drag.t });
    },
    { capture: true },
  );
  const end = (/** @type {PointerEvent} */ e) => {
    if (!drag || e.pointerId !== drag.id) return;
    e.stopImmediatePropagation();
    const { i, t, x } = drag;
    drag = null;
    dragged(null);
    if (e.type === "pointercancel" || Math.abs(at(e).x - x) < 3) return;
    dropped(marks()[i], t, chart.secondsPerPx(/** @type {any} */ (chart.picture).view));
  };
  host.addEventListener("pointerup", end, { capture: true });
  host.addEventListener("pointercancel", end, { capture: true });
}
