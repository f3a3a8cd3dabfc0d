// What the pages need beside plain forms: dropping files, looking for changes, waiting for a judgement.
"use strict";

for (const zone of document.querySelectorAll("[data-drop]")) {
  const input = zone.querySelector("input[type=file]");
  const chosen = zone.querySelector("[data-chosen]");
  const tell = () => {
    const names = Array.from(input.files, (file) => file.name);
    const more = names.length > 6 ? ` and ${names.length - 6} more` : "";
    chosen.textContent = names.length ? `${names.length} chosen: ${names.slice(0, 6).join(", ")}${more}` : "";
  };
  input.addEventListener("change", tell);
  for (const name of ["dragenter", "dragover"]) {
    zone.addEventListener(name, (event) => { event.preventDefault(); zone.classList.add("over"); });
  }
  for (const name of ["dragleave", "drop"]) {
    zone.addEventListener(name, () => zone.classList.remove("over"));
  }
  zone.addEventListener("drop", (event) => {
    event.preventDefault();
    if (event.dataTransfer.files.length) { input.files = event.dataTransfer.files; tell(); }
  });
}

// A file that is dropped beside the zone must not take the page away with everything that was typed.
for (const name of ["dragover", "drop"]) {
  window.addEventListener(name, (event) => { if (!event.target.closest("[data-drop]")) event.preventDefault(); });
}

for (const form of document.querySelectorAll("form[method=post]:not([data-keys])")) {
  form.addEventListener("submit", () => {
    for (const button of form.querySelectorAll("button")) setTimeout(() => { button.disabled = true; }, 0);
  });
}
window.addEventListener("pageshow", (event) => {
  if (event.persisted) for (const button of document.querySelectorAll("button")) button.disabled = false;
});

const errors = document.getElementById("errors");
if (errors) errors.focus();

// A page that loads itself anew would call back whoever is just going to another one.
let leaving = false;
window.addEventListener("beforeunload", () => { leaving = true; });

// Whoever is typing a search, or goes through the page by the keyboard, keeps the place.
const anew = (list) => {
  if (document.activeElement === document.body) { location.reload(); return; }
  const link = document.createElement("a");
  link.href = location.href;
  link.textContent = "The folder holds something new: show it";
  list.append(" ", link);
};

const list = document.querySelector("[data-fresh]");
if (list) {
  const looking = list.querySelector("[data-looking]");
  if (looking) looking.textContent = "Looking for visits in the folder …";
  fetch(list.dataset.fresh)
    .then((answer) => answer.json())
    .then((found) => {
      if (found.changed && !leaving) anew(list);
      else if (looking) looking.textContent = "There is no visit on this shelf yet.";
    })
    .catch(() => { if (looking) looking.textContent = "The folder could not be read."; });
}

const judging = document.querySelector("[data-judging]");
if (judging) {
  const bar = judging.querySelector("progress");
  const look = () => fetch(judging.dataset.judging)
    .then((answer) => answer.json())
    .then((found) => {
      if (found.state !== "working") { location.reload(); return; }
      if (found.share > 0) bar.value = found.share;
      setTimeout(look, 500);
    })
    .catch(() => setTimeout(look, 2000));
  setTimeout(look, 300);
}
