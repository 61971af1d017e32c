// The one connection to the server. The page asks, the server answers once: nothing can queue up
// on a slow link, since the next frame is only asked for after the last one was drawn.

const SILENT_MS = 8000; // The server answers within a second; after this much the link is dead.
const FIRST_WAIT_MS = 500;
const LONGEST_WAIT_MS = 5000;
const decoder = new TextDecoder();

/** {header, parts} of one message: the length of the header, the header, the parts one by one. */
export function unpack(buffer) {
  const length = new DataView(buffer).getUint32(0, true);
  const header = JSON.parse(decoder.decode(new Uint8Array(buffer, 4, length)));
  const parts = {};
  let at = 4 + length;
  for (const [name, size] of header.parts || []) {
    parts[name] = name === "columns" ? new Uint8Array(buffer, at, size) : new Float32Array(buffer, at, size / 4);
    at += Math.ceil(size / 4) * 4;
  }
  return { header, parts };
}

export class Link {
  /**
   * ask() gives what to ask for; onFrame(frame) shows an answer and gives a promise of its being
   * drawn; onChange() is called when the link is lost or is back.
   */
  constructor({ ask, onFrame, onChange }) {
    this.ask = ask;
    this.onFrame = onFrame;
    this.onChange = onChange;
    this.lostSinceS = null;
    this.frames = 0;
    this.waitMs = FIRST_WAIT_MS;
    this.socket = null;
    this.heardMs = performance.now();
    document.addEventListener("visibilitychange", () => this.#seen());
    window.addEventListener("online", () => this.#again(0));
    window.addEventListener("pagehide", () => this.#drop());
    window.addEventListener("pageshow", () => this.#seen());
    setInterval(() => this.#watch(), 1000);
  }

  start() {
    this.#drop();
    const url = new URL("/live", location.href);
    url.protocol = url.protocol === "https:" ? "wss:" : "ws:";
    url.search = location.search;
    const socket = new WebSocket(url);
    socket.binaryType = "arraybuffer";
    this.socket = socket;
    this.heardMs = performance.now();
    socket.addEventListener("open", () => this.#send(socket));
    socket.addEventListener("message", (event) => this.#heard(socket, event.data));
    socket.addEventListener("close", () => {
      if (socket !== this.socket) return;
      this.socket = null;
      this.#lost();
      this.#again();
    });
  }

  /** What is asked for has become another: this ask takes the place of the one under way. */
  turn() {
    this.turned = null;
    if (this.socket) this.#send(this.socket);
  }

  #send(socket) {
    if (socket !== this.socket || socket.readyState !== WebSocket.OPEN) return;
    socket.send(JSON.stringify(this.ask()));
  }

  async #heard(socket, data) {
    if (socket !== this.socket || typeof data === "string") return;
    this.heardMs = performance.now();
    this.waitMs = FIRST_WAIT_MS;
    this.frames += 1;
    if (this.lostSinceS !== null) {
      this.lostSinceS = null;
      this.onChange();
    }
    const mine = (this.turned = {});
    await this.onFrame(unpack(data));
    if (mine === this.turned) this.#send(socket);
  }

  #lost() {
    if (this.lostSinceS !== null || document.hidden) return;
    this.lostSinceS = Date.now() / 1000;
    this.onChange();
  }

  #again(waitMs = this.waitMs) {
    clearTimeout(this.timer);
    if (document.hidden || (this.socket && waitMs)) return;
    // Many pages come back to a server that was started anew: not all at the same moment.
    this.timer = setTimeout(() => !document.hidden && this.start(), waitMs * (0.7 + 0.6 * Math.random()));
    this.waitMs = Math.min(LONGEST_WAIT_MS, this.waitMs * 1.7);
  }

  #drop() {
    clearTimeout(this.timer);
    const socket = this.socket;
    this.socket = null;
    if (socket) socket.close();
  }

  #seen() {
    if (document.hidden) this.#drop();
    else if (!this.socket) this.start();
  }

  #watch() {
    if (document.hidden || !this.socket) return;
    if (performance.now() - this.heardMs < SILENT_MS) return;
    this.#drop();
    this.#lost();
    this.#again();
  }
}
