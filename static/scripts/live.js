// The live socket: connects, hands messages on, and connects again when the line breaks.

const FIRST_WAIT_MS = 500;
const LONGEST_WAIT_MS = 10_000;
const QUIET_MS = 5_000; // a working server sends several messages a second while it receives, else one a second

/**
 * How long to wait before attempt n (from 0): doubling, bounded, spread by up to a quarter so that
 * many pages do not come back in one beat.
 * @param {number} attempt
 * @param {number} [random] 0 to 1
 */
export function waitMs(attempt, random = Math.random()) {
  const wait = Math.min(LONGEST_WAIT_MS, FIRST_WAIT_MS * 2 ** Math.min(attempt, 10));
  return wait * (0.75 + 0.25 * random);
}

/**
 * @typedef {object} Handlers
 * @property {(message: any) => void} text
 * @property {(buffer: ArrayBuffer) => void} binary
 * @property {(up: boolean) => void} line the line came up or broke
 */

/** Keeps one socket to the server open. */
export class Live {
  /**
   * @param {string} url
   * @param {Handlers} handlers
   */
  constructor(url, handlers) {
    this.url = url;
    this.handlers = handlers;
    this.attempt = 0;
    /** @type {WebSocket | null} */
    this.socket = null;
    this.heard = 0;
    this.connect();
    // A browser that slept, or a network that swallowed the end, leaves a socket open that says nothing.
    setInterval(() => {
      if (this.socket?.readyState === WebSocket.OPEN && performance.now() - this.heard > 3 * QUIET_MS) this.socket.close();
    }, QUIET_MS);
    addEventListener("online", () => this.connectNow());
    document.addEventListener("visibilitychange", () => {
      if (!document.hidden) this.connectNow();
    });
  }

  connect() {
    const socket = new WebSocket(this.url);
    this.socket = socket;
    this.heard = performance.now();
    socket.binaryType = "arraybuffer";
    socket.onmessage = (event) => {
      this.heard = performance.now();
      if (typeof event.data !== "string") {
        this.handlers.binary(event.data);
        return;
      }
      const message = JSON.parse(event.data);
      if (message.type === "hello") {
        this.attempt = 0;
        this.handlers.line(true);
      }
      this.handlers.text(message);
    };
    socket.onclose = () => {
      if (this.socket !== socket) return;
      this.socket = null;
      this.handlers.line(false);
      this.timer = setTimeout(() => this.connect(), waitMs(this.attempt++));
    };
  }

  /**
   * Sends what steers a replay; without a line it is lost, as the replay is.
   * @param {any} what
   */
  send(what) {
    if (this.socket?.readyState === WebSocket.OPEN) this.socket.send(JSON.stringify(what));
  }

  connectNow() {
    if (this.socket) return;
    clearTimeout(this.timer);
    this.connect();
  }
}

/** The address of the live socket of the server this page came from. */
export function liveURL() {
  return (location.protocol === "https:" ? "wss://" : "ws://") + location.host + "/live";
}

/** The same, or that of the replay which the page's address asks for. */
export function liveOrReplayURL() {
  const replay = new URLSearchParams(location.search).get("replay");
  return liveURL() + (replay ? `?replay=${encodeURIComponent(replay)}` : "");
}
