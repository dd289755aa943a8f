"use strict";
// Keys, scans and buttons of a window, and what the rig sends to be shown. Nothing of a run lives here.

const HOLD_MS = 1000;
const FORGET_MS = 10000;
const key = document.body.dataset.key;
const bench = document.getElementById("bench");
let shown = { phase: "", question: 0, answers: false };
let typed = "";
let forget = 0;
let held = null;

function windowName() {
  let name = sessionStorage.getItem("window");
  if (!name) {
    name = Array.from(crypto.getRandomValues(new Uint8Array(9)), (n) => n.toString(16).padStart(2, "0")).join("");
    sessionStorage.setItem("window", name);
  }
  return name;
}
const me = windowName();

function send(what, more) {
  return fetch(`/do/${what}`, {
    method: "POST",
    headers: { "Content-Type": "application/json", "X-Kitproof-Key": key },
    body: JSON.stringify({ window: me, question: shown.question, ...more }),
  }).then((answer) => {
    if (answer.status === 403) location.reload();
    return answer.ok ? answer.json() : {};
  }).catch(() => ({ why_not: document.body.dataset.lost }));
}

// A line that is scanned or typed, wherever nothing else takes it.
function show() {
  const line = document.getElementById("typed");
  if (line) line.textContent = typed ? `${document.body.dataset.typed}: ${typed}` : "";
}
function take(sign) {
  typed = sign === null ? typed.slice(0, -1) : typed + sign;
  clearTimeout(forget);
  forget = setTimeout(() => { typed = ""; show(); }, FORGET_MS);
  show();
}
function scanned() {
  const text = typed;
  typed = "";
  show();
  if (text) send("scan", { text });
}

// A key or a button that is held for a second; a scanner's keys come and go much faster.
function hold(by) {
  if (held) return;
  held = { by, question: shown.question, timer: setTimeout(() => {
    document.body.classList.remove("holding");
    held.done = true;
    typed = "";
    show();
    send("go", { question: held.question });
  }, HOLD_MS) };
  document.body.classList.add("holding");
}
function release(by) {
  if (!held || (by !== undefined && held.by !== by)) return;
  clearTimeout(held.timer);
  held = null;
  document.body.classList.remove("holding");
}

const NO_HOLD = new Set(["Enter", "Escape", "Tab", "Backspace", "Shift", "Control", "Alt", "Meta", "CapsLock", "NumLock",
  "AltGraph", "Unidentified", "Process", "Dead"]);

function stopped(event) {
  if (event.key !== "Escape") return false;
  event.preventDefault();
  send("stop");
  release();
  return true;
}
// A report has no script of its own: what is pressed in it stops all the same.
for (const sheet of document.querySelectorAll("iframe")) {
  const listenTo = () => sheet.contentDocument && sheet.contentDocument.addEventListener("keydown", stopped);
  listenTo();
  sheet.addEventListener("load", listenTo);
}

document.addEventListener("keydown", (event) => {
  if (stopped(event)) return;
  if (!bench || event.ctrlKey || event.altKey || event.metaKey) return;
  const at = event.target;
  if (at instanceof HTMLInputElement || at instanceof HTMLSelectElement) return;
  const isHolding = at instanceof HTMLElement && at.hasAttribute("data-hold");
  if ((at instanceof HTMLButtonElement || at instanceof HTMLAnchorElement) && !isHolding
      && (event.key === "Enter" || event.key === " ")) return;
  if (event.key === " " || isHolding) event.preventDefault();
  if (event.repeat) return;
  if (held) release();
  if (event.key === "Enter") { event.preventDefault(); scanned(); return; }
  if (event.key === "Backspace") { take(null); return; }
  if (event.key.length === 1 && event.key !== " ") take(event.key);
  if (!NO_HOLD.has(event.key)) hold(event.code || event.key);
});
document.addEventListener("keyup", (event) => release(event.code || event.key));
window.addEventListener("blur", () => release());
document.addEventListener("visibilitychange", () => release());

document.addEventListener("pointerdown", (event) => {
  if (event.target instanceof Element && event.target.closest("[data-hold]")) hold("pointer");
});
for (const name of ["pointerup", "pointercancel", "pointerleave"]) {
  document.addEventListener(name, () => release("pointer"));
}
document.addEventListener("click", (event) => {
  const button = event.target instanceof Element ? event.target.closest("[data-do]") : null;
  if (button) send(button.dataset.do, { words: "" });
});
document.addEventListener("change", (event) => {
  const field = event.target;
  if (field instanceof HTMLSelectElement && field.dataset.change) send(field.dataset.change, { [field.name]: field.value });
});
document.addEventListener("submit", (event) => {
  const form = event.target;
  if (!(form instanceof HTMLFormElement) || !form.dataset.form) return;
  event.preventDefault();
  send(form.dataset.form, Object.fromEntries(new FormData(form))).then((answer) => {
    const why = form.querySelector(".why");
    if (why) why.textContent = answer.why_not || "";
    if (form.dataset.then && answer.why_not === "") location.href = form.dataset.then;
  });
});

// How long it still sounds, counted on from what was sent.
let leftS = 0;
let leftAt = 0;
setInterval(() => {
  const place = bench && bench.querySelector("[data-left]");
  if (!place) return;
  const left = Math.max(leftS - (performance.now() - leftAt) / 1000, 0);
  place.textContent = `${Math.round(left)} ${document.body.dataset.toGo}`;
}, 500);

function listen() {
  const stream = new EventSource(`/events?window=${me}`);
  const lost = document.getElementById("lost");
  stream.onopen = () => { lost.hidden = true; };
  stream.onerror = () => { lost.hidden = false; if (stream.readyState === EventSource.CLOSED) setTimeout(listen, 1000); };
  stream.onmessage = (message) => {
    const sent = JSON.parse(message.data);
    if (sent.question !== shown.question) release();
    shown = sent;
    const focus = document.activeElement && document.activeElement.id;
    bench.innerHTML = sent.html;
    const field = bench.querySelector("input");
    if (field) field.focus(); else if (focus && document.getElementById(focus)) document.getElementById(focus).focus();
    const left = bench.querySelector("[data-left]");
    if (left) { leftS = Number(left.dataset.left); leftAt = performance.now(); }
  };
}
if (bench) listen();

// What is only looked at, live.
for (const place of document.querySelectorAll("[data-stream]")) {
  const stream = new EventSource(`${place.dataset.stream}&key=${key}`);
  const lost = document.getElementById("lost");
  stream.onopen = () => { lost.hidden = true; };
  stream.onerror = () => { lost.hidden = false; };
  stream.onmessage = (message) => { place.innerHTML = JSON.parse(message.data).html; };
}

// A cursor over curves: frequency and values where it points, by pointer or arrow keys.
for (const figure of document.querySelectorAll("[data-cursor]")) {
  const read = JSON.parse(figure.dataset.cursor);
  const grid = read.frequency_hz;
  const words = document.querySelector(".reading");
  const line = document.createElement("span");
  line.className = "cursor";
  figure.append(line);
  let at = Math.floor(grid.length / 2);
  const put = () => {
    const share = Math.log(grid[at] / grid[0]) / Math.log(grid[grid.length - 1] / grid[0]);
    line.style.left = `${(Number(figure.dataset.left) + share * Number(figure.dataset.width)) * 100}%`;
    const values = Object.entries(read.lines).filter((one) => one[1][at] !== null)
      .map(([name, all]) => `${name}: ${all[at].toPrecision(4)} ${read.unit}`);
    words.textContent = `${grid[at].toPrecision(4)} Hz; ${values.join("; ")}`;
  };
  figure.addEventListener("pointermove", (event) => {
    const box = figure.getBoundingClientRect();
    const share = ((event.clientX - box.left) / box.width - Number(figure.dataset.left)) / Number(figure.dataset.width);
    at = Math.round(Math.min(Math.max(share, 0), 1) * (grid.length - 1));
    put();
  });
  figure.addEventListener("keydown", (event) => {
    const step = { ArrowLeft: -1, ArrowRight: 1, PageDown: -20, PageUp: 20 }[event.key];
    if (!step) return;
    event.preventDefault();
    at = Math.min(Math.max(at + step, 0), grid.length - 1);
    put();
  });
}
