// The live page of a visit: a touch on a mark opens it, a key plays or refuses, an answer moves the finding at once.
// Without this script every mark and answer is a link or a form that loads the page.
"use strict";

const player = new Audio();
let playedTap = 1;
const live = () => document.querySelector("[data-live]");

const put = (page) => {
  const main = document.getElementById("main");
  const chosen = document.activeElement && document.activeElement.closest(".spot, [data-tap], .heard [data-mark]");
  const by = chosen && chosen.getAttribute("aria-label");
  const again = chosen && (chosen.classList.contains("spot") ? ".spot.here" : chosen.dataset.tap ? `[data-tap="${chosen.dataset.tap}"]` : `.heard [aria-label="${by}"]`);
  document.title = page.title;
  main.replaceChildren(...page.getElementById("main").childNodes);
  const place = again && main.querySelector(again);
  if (place) place.focus({ preventScroll: true });
  wait();  // the finding may have to be waited for
};
const show = (answer) => answer.text().then((text) => {
  const page = new DOMParser().parseFromString(text, "text/html");
  if (!page.getElementById("main")) throw new Error("no page");
  history.replaceState(null, "", answer.url);
  put(page);
});
const open = (address) => fetch(address).then(show).catch(() => { location.href = address; });

const play = (link) => {
  const tap = /tap-(\d+)\.wav$/.exec(link.href);
  if (link.closest(".taps-here") && tap) playedTap = Number(tap[1]);
  player.src = link.href;
  player.play().catch(() => { location.href = link.href; });
};

document.addEventListener("click", (event) => {
  if (event.ctrlKey || event.metaKey || event.shiftKey || !live()) return;
  const link = event.target.closest("a[data-play], a[data-mark]");
  if (!link) return;
  event.preventDefault();
  if (link.hasAttribute("data-play")) { play(link); return; }
  playedTap = 1;
  open(link.getAttribute("href"));
});
document.addEventListener("submit", (event) => {
  const form = event.target;
  if (!form.matches("[data-there]")) return;
  event.preventDefault();
  const body = new URLSearchParams(new FormData(form, event.submitter));
  fetch(form.action, { method: "POST", body }).then(show).catch(() => form.submit());
});
document.addEventListener("keydown", (event) => {
  const here = live();
  const typing = event.target.closest("input, select, textarea, summary");
  if (!here || typing || event.ctrlKey || event.metaKey || event.altKey) return;
  const place = Number(here.dataset.place);
  const steps = { ArrowUp: -1, ArrowDown: 1 };
  if (event.key in steps) {
    const next = place + steps[event.key];
    const spot = document.querySelector(`[data-mark="${next}"]`);
    if (!spot) return;
    event.preventDefault();
    playedTap = 1;
    open(spot.getAttribute("href"));
    return;
  }
  if (event.key === " " && event.target.closest("a, button")) return;
  const name = event.key === " " ? "space" : event.key.toLowerCase();
  const link = /^([1-9]|space|a|w)$/.test(name) && document.querySelector(`.heard [data-play="${name}"]`);
  const button = name === "x" && document.querySelector(`[data-tap="${playedTap}"]`);
  if (!link && !button) return;
  event.preventDefault();
  if (link) play(link);
  else if (!event.repeat) button.form.requestSubmit(button);
});
