// The live page of a round: hears of everything from the server, and hands keys on.
"use strict";

const round = document.querySelector("[data-round]");
const part = (name) => round.querySelector(`[data-${name}]`);
const FLOOR = -60;
const text = (name, value) => { const at = part(name); if (at.textContent !== value) at.textContent = value; };

const show = (now) => {
  text("big", now.big);
  text("small", now.small);
  text("number", now.number);
  text("dots", "●".repeat(now.count) + "○".repeat(Math.max(now.of - now.count, 0)));
  text("estimate", now.estimate);
  text("device", now.device);
  text("peak", now.peak > -0.1 ? "OVERLOAD" : `${Math.round(now.peak)} dB`);
  const bar = part("bar");
  bar.style.transform = `scaleX(${Math.min(Math.max(1 - now.peak / FLOOR, 0), 1)})`;
  bar.classList.toggle("loud", now.peak > -3);
  const said = part("said");
  if (said.dataset.shown !== now.said.join("\n")) {
    said.dataset.shown = now.said.join("\n");
    said.replaceChildren(...now.said.map((sentence) => {
      const item = document.createElement("li");
      item.textContent = sentence;
      return item;
    }));
  }
  const marks = part("marks");
  const shown = JSON.stringify([now.marks, now.change]);
  if (marks.dataset.shown !== shown) {
    marks.dataset.shown = shown;
    const items = now.marks.map((mark) => {
      const item = document.createElement("li");
      item.textContent = mark.text;
      item.className = mark.now ? "now" : mark.done ? "done" : "";
      const change = now.change;
      if (change && mark.depth >= change.from && mark.depth <= change.to) item.classList.add("within");
      return item;
    });
    if (now.change) {
      const middle = (now.change.from + now.change.to) / 2;
      const at = now.marks.findIndex((mark) => mark.depth > middle);
      const item = document.createElement("li");
      item.className = "change";
      item.textContent = now.change.text;
      items.splice(at < 0 ? items.length : at, 0, item);
    }
    marks.replaceChildren(...items);
    const at = marks.querySelector(".now");
    if (at) at.scrollIntoView({ block: "nearest" });
  }
};

const HERE = ["127.0.0.1", "localhost"].includes(location.hostname);
const LOST = HERE
  ? "taptest no longer answers: it was stopped, or it failed. The round stands still; what was tapped is kept. Start taptest desk again and go on with the round there."
  : "No connection to the computer that listens. Look there whether the round still runs; what was tapped is kept.";
const PATIENCE_MS = 1500;

let losing = null;
const lost = () => {
  if (losing !== null) return;
  losing = setTimeout(() => {
    text("big", HERE ? "STOPPED" : "WAIT");
    text("small", LOST);
    for (const name of ["number", "dots", "device", "peak", "estimate"]) text(name, "");
    part("bar").style.transform = "scaleX(0)";
  }, PATIENCE_MS);
};
const found = () => {
  clearTimeout(losing);
  losing = null;
};

const press = (key) => fetch(`${round.dataset.round}/key`, { method: "POST", body: new URLSearchParams({ key }) }).catch(lost);

const end = () => {
  part("keys").hidden = true;
  part("end").hidden = false;
};

// The screen stays on while the round runs, where the browser lets a page ask for it: at this computer itself, or
// encrypted. Elsewhere the telephone's own setting counts.
let awake = null;
const stayAwake = () => {
  if (!navigator.wakeLock || document.visibilityState !== "visible" || awake) return;
  navigator.wakeLock.request("screen").then((lock) => {
    awake = lock;
    round.dataset.awake = "yes";
    lock.addEventListener("release", () => { awake = null; });
  }).catch(() => {});  // refused, as when the battery is low: the screen goes dark as it always does
};

if (round.dataset.over === "no") {
  stayAwake();
  document.addEventListener("visibilitychange", stayAwake);
  round.addEventListener("over", () => { if (awake) awake.release(); });
  const stream = follow(`${round.dataset.round}/events`, (told) => {
    if (told.lost) { lost(); return; }
    found();
    if (told.over) { end(); round.dispatchEvent(new CustomEvent("over")); return; }
    show(told.now);
    round.dispatchEvent(new CustomEvent("now", { detail: told.now }));
  });
  // The page that listens plays the tones, whether it is looked at or not.
  round.addEventListener("listens", ({ detail }) => stream.keep(detail));
  part("keys").addEventListener("submit", (event) => {
    event.preventDefault();
    press(event.submitter.value);
    event.submitter.blur();
  });
  const keys = { " ": "redo", s: "skip", t: "tones", q: "stop" };
  window.addEventListener("keydown", (event) => {
    const key = keys[event.key];
    const held = event.repeat || event.ctrlKey || event.metaKey || event.altKey;
    if (!key || held || (event.key === " " && event.target.closest("a, button"))) return;
    event.preventDefault();
    press(key);
  });
}
