// The connection to the daemon: one WebSocket to see by, plain POSTs to order by. What is lost is said within two seconds
// and sought again.

const SILENT_MS = 1500;
const RETRY_MS = 500;
const HEAD_BYTES = 24;

const kept = () => { try { return sessionStorage.getItem("ramprig-token"); } catch { return null; } };
let token = kept();

// A token may come behind `#token=`, which no browser sends anywhere.
const given = new URLSearchParams(location.hash.slice(1)).get("token");
if (given) {
  keepToken(given);
  history.replaceState(null, "", location.pathname);
}

function keepToken(text) {
  token = text;
  try { sessionStorage.setItem("ramprig-token", text); } catch { /* kept for this page only */ }
}

/** An order, or a look: the answer, or an error with the daemon's own words. */
export async function ask(method, path, body, key) {
  const headers = {};
  if (body !== undefined) headers["content-type"] = "application/json";
  if (token) headers.authorization = `Bearer ${token}`;
  if (key) headers["ramprig-control"] = key;
  let answer;
  try {
    answer = await fetch(`/v0/${path}`, { method, headers, body: body === undefined ? undefined : JSON.stringify(body) });
  } catch {
    throw new Error("no answer from the daemon");
  }
  const text = await answer.text();
  let value = null;
  try { value = JSON.parse(text); } catch { /* words */ }
  if (!answer.ok) throw new Error(value?.Refused?.text ?? value?.Unreachable?.reason ?? text.trim() ?? `answer ${answer.status}`);
  return value;
}

export const order = (path, body, key) => ask("POST", path, body, key);
export const look = (path) => ask("GET", path);

/** An order of a page that is being left; nobody waits for its answer. */
export function farewell(path, key) {
  const headers = { "ramprig-control": key, ...(token ? { authorization: `Bearer ${token}` } : {}) };
  fetch(`/v0/${path}`, { method: "POST", keepalive: true, headers }).catch(() => {});
}

/** A frame of samples, as /v0/openapi.json says. */
export function readFrame(buffer) {
  const view = new DataView(buffer);
  if (view.getUint8(0) !== 1) return null;
  const channels = view.getUint16(2, true);
  const intervals = view.getUint32(12, true);
  const values = new Float32Array(buffer.slice(HEAD_BYTES));
  return {
    afresh: (view.getUint8(1) & 1) === 1,
    number: view.getUint32(4, true),
    first: view.getUint32(8, true),
    width: view.getFloat64(16, true),
    channels,
    intervals,
    values,
  };
}

export class Link {
  constructor({ width, window, face, update, samples, alive }) {
    Object.assign(this, { width, window, face, update, samples, alive });
    this.refused = false;
    this.heard = performance.now();
    this.lostSince = null;
    this.connected = false;
    this.missed = 0;
    this.#open();
    setInterval(() => this.#watch(), 200);
  }

  useToken(text) {
    keepToken(text);
    this.#again();
  }

  #open() {
    const wish = new URLSearchParams({ width: String(this.width), window: String(this.window) });
    if (this.face) wish.set("face", this.face);
    const scheme = location.protocol === "https:" ? "wss" : "ws";
    const words = token ? ["ramprig", `token.${token}`] : ["ramprig"];
    let socket;
    try {
      socket = new WebSocket(`${scheme}://${location.host}/v0/view?${wish}`, words);
    } catch {
      this.#later();
      return;
    }
    socket.binaryType = "arraybuffer";
    this.socket = socket;
    socket.onmessage = (event) => { if (socket === this.socket) this.#hear(event.data); };
    socket.onclose = () => { if (socket === this.socket) { this.#lost(); this.#later(); } };
  }

  #hear(data) {
    this.heard = performance.now();
    if (!this.connected || this.lostSince !== null || this.refused) {
      this.connected = true;
      this.lostSince = null;
      this.refused = false;
      this.alive(null);
    }
    if (typeof data !== "string") {
      const frame = readFrame(data);
      if (!frame) return;
      this.samples(frame);
      this.socket.send(JSON.stringify({ seen: frame.number }));
      return;
    }
    const message = JSON.parse(data);
    if (message.type === "moved") this.missed += message.data;
    if (message.type !== "beat") this.update(message);
  }

  #watch() {
    if (performance.now() - this.heard > SILENT_MS) this.#lost();
    if (this.lostSince !== null) this.#tell();
  }

  #lost() {
    if (this.lostSince === null) {
      this.lostSince = this.heard;
      this.#why();
    }
    this.#tell();
  }

  #tell() {
    const since = Math.round((performance.now() - this.lostSince) / 1000);
    this.alive(this.refused
      ? "NOT LET IN: this needs the token"
      : `NO CONNECTION for ${since} s: what is shown is old. Use the switches at the rig.`);
  }

  /** A page cannot see why a WebSocket was refused; a plain question tells. */
  async #why() {
    try {
      await look("state");
    } catch (error) {
      this.refused = error.message.includes("token");
    }
  }

  #later() {
    clearTimeout(this.retry);
    this.retry = setTimeout(() => this.#again(), RETRY_MS);
  }

  #again() {
    const old = this.socket;
    this.socket = null;
    old?.close();
    this.#open();
  }
}
