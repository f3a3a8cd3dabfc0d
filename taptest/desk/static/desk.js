// What the pages need beside plain forms: dropping files, looking for changes, waiting for a judgement.
"use strict";

// Handlers sit on the document, so that they serve parts of the page that are put in place later, too.
const tell = (zone) => {
  const names = Array.from(zone.querySelector("input[type=file]").files, (file) => file.name);
  const more = names.length > 6 ? ` and ${names.length - 6} more` : "";
  const said = names.length ? `${names.length} chosen: ${names.slice(0, 6).join(", ")}${more}` : "";
  zone.querySelector("[data-chosen]").textContent = said;
};
const zoneOf = (event) => (event.target instanceof Element ? event.target.closest("[data-drop]") : null);
document.addEventListener("change", (event) => {
  const zone = zoneOf(event);
  if (zone && event.target.type === "file") tell(zone);
});
// A file that is dropped beside a zone must not take the page away with everything that was typed.
for (const name of ["dragenter", "dragover"]) {
  document.addEventListener(name, (event) => {
    event.preventDefault();
    const zone = zoneOf(event);
    if (zone) zone.classList.add("over");
  });
}
document.addEventListener("dragleave", (event) => {
  const zone = zoneOf(event);
  if (zone) zone.classList.remove("over");
});
document.addEventListener("drop", (event) => {
  event.preventDefault();
  const zone = zoneOf(event);
  if (!zone) return;
  zone.classList.remove("over");
  if (event.dataTransfer.files.length) { zone.querySelector("input[type=file]").files = event.dataTransfer.files; tell(zone); }
});

document.addEventListener("submit", (event) => {
  if (!event.target.matches("form[method=post]:not([data-keys])")) return;
  for (const button of event.target.querySelectorAll("button")) setTimeout(() => { button.disabled = true; }, 0);
});
window.addEventListener("pageshow", (event) => {
  if (event.persisted) for (const button of document.querySelectorAll("button")) button.disabled = false;
});

const errors = document.getElementById("errors");
if (errors) errors.focus();

// What is new is fetched and put in place. A page that loads itself anew would call back whoever is just going to another one.
const fetched = () => fetch(location.href)
  .then((answer) => answer.text())
  .then((text) => new DOMParser().parseFromString(text, "text/html"));

const count = document.querySelector("[data-fresh]");
if (count) {
  const looking = count.querySelector("[data-looking]");
  if (looking) looking.textContent = "Looking for visits in the folder …";
  const rows = document.querySelector("[data-rows]");
  const show = (page) => {
    // Whoever goes through the list by the keyboard keeps the place.
    if (rows.contains(document.activeElement) || count.contains(document.activeElement)) {
      const link = document.createElement("a");
      link.href = location.href;
      link.textContent = "The folder holds something new: show it";
      count.append(" ", link);
      return;
    }
    rows.replaceChildren(...page.querySelector("[data-rows]").childNodes);
    count.replaceChildren(...page.querySelector("[data-fresh]").childNodes);
  };
  fetch(count.dataset.fresh)
    .then((answer) => answer.json())
    .then((found) => {
      if (found.changed) return fetched().then(show);
      if (looking) looking.textContent = "There is no visit on this shelf yet.";
    })
    .catch(() => { if (looking) looking.textContent = "The folder could not be read."; });
}

const judging = document.querySelector("[data-judging]");
if (judging) {
  const bar = judging.querySelector("progress");
  const show = (page) => {
    const main = document.getElementById("main");
    document.title = page.title;
    main.replaceChildren(...page.getElementById("main").childNodes);
    main.focus({ preventScroll: true });
    const place = document.getElementById(location.hash.slice(1));
    if (place) place.scrollIntoView();
  };
  const look = () => fetch(judging.dataset.judging)
    .then((answer) => answer.json())
    .then((found) => {
      if (found.state !== "working") return fetched().then(show);
      if (found.share > 0) bar.value = found.share;
      setTimeout(look, 500);
    })
    .catch(() => setTimeout(look, 2000));
  setTimeout(look, 300);
}
