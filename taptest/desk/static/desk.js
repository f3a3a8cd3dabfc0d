// What the pages need beside plain forms: dropping files, looking for changes, waiting for a judgement.
"use strict";

// Handlers sit on the document, so that they serve parts of the page that are put in place later, too.
const tell = (zone) => {
  const names = Array.from(zone.querySelectorAll("input[type=file]")).flatMap((input) => Array.from(input.files, (file) => file.name));
  const more = names.length > 6 ? ` and ${names.length - 6} more` : "";
  const said = names.length ? `${names.length} chosen: ${names.slice(0, 6).join(", ")}${more}` : "";
  zone.querySelector("[data-chosen]").textContent = said;
};
const zoneOf = (event) => {
  const at = event.target instanceof Element ? event.target : event.target.parentElement;  // text can be a target, too
  return at ? at.closest("[data-drop]") : null;
};
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
  if (event.defaultPrevented || !event.target.matches("form[method=post]:not([data-keys])")) return;
  for (const button of event.target.querySelectorAll("button")) setTimeout(() => { button.disabled = true; }, 0);
});
window.addEventListener("pageshow", (event) => {
  if (event.persisted) for (const button of document.querySelectorAll("button")) button.disabled = false;
});

// What is typed in a long form is kept a moment later, and at once when the page is left; not once it was sent.
const drafted = document.querySelector("[data-draft]");
if (drafted) {
  let due = 0;
  let sent = false;
  const keep = (last) => {
    clearTimeout(due);
    due = 0;
    if (sent) return;
    const texts = new URLSearchParams();
    for (const [name, value] of new FormData(drafted)) if (typeof value === "string") texts.append(name, value);
    fetch(drafted.dataset.draft, { method: "POST", body: texts, keepalive: last === true }).catch(() => {});
  };
  drafted.addEventListener("input", () => { clearTimeout(due); due = setTimeout(keep, 600); });
  drafted.addEventListener("submit", () => { sent = true; clearTimeout(due); });
  window.addEventListener("pagehide", () => { if (due) keep(true); });
  document.addEventListener("visibilitychange", () => { if (document.hidden && due) keep(true); });
}

const errors = document.getElementById("errors");
if (errors) errors.focus();

// What is new is fetched and put in place. A page that reloads itself would pull back a user who is just opening another one.
const told = (address) => fetch(address).then((answer) => {
  if (!answer.ok) throw new Error(answer.statusText);
  return answer.json();
});
const fetched = (part) => fetch(location.href)
  .then((answer) => answer.text())
  .then((text) => {
    const page = new DOMParser().parseFromString(text, "text/html");
    if (!page.querySelector(part)) throw new Error("The answer is no page of the desk.");
    return page;
  });

const count = document.querySelector("[data-fresh]");
if (count) {
  const looking = count.querySelector("[data-looking]");
  const found = looking ? looking.textContent : "";
  if (looking) looking.textContent = "Looking for visits in the folder …";
  const rows = document.querySelector("[data-rows]");
  const show = (page) => {
    // Whoever goes through the list by the keyboard keeps the place.
    if (rows.contains(document.activeElement) || count.contains(document.activeElement)) {
      if (looking) looking.textContent = found;
      const link = document.createElement("a");
      link.href = location.href;
      link.textContent = "The folder holds something new: show it";
      count.append(" ", link);
      return;
    }
    rows.replaceChildren(...page.querySelector("[data-rows]").childNodes);
    count.replaceChildren(...page.querySelector("[data-fresh]").childNodes);
  };
  told(count.dataset.fresh)
    .then((answer) => {
      if (answer.changed) return fetched("[data-rows]").then(show);
      if (looking) looking.textContent = found;
    })
    .catch(() => { if (looking) looking.textContent = "The folder could not be read."; });
}

// Many visits are judged behind the list: how far it has come, and the list anew at the end.
const batch = () => {
  const place = document.querySelector("[data-batch]");
  if (!place) return;
  told(place.dataset.batch).then((answer) => {
    if (!answer.running) { location.reload(); return; }
    place.querySelector("[data-done]").textContent = answer.done;
    place.querySelector("progress").value = answer.done;
    setTimeout(batch, 1000);
  }).catch(() => setTimeout(batch, 5000));
};
batch();

// The arrow keys go through the list.
document.addEventListener("keydown", (event) => {
  const step = { ArrowDown: 1, ArrowUp: -1 }[event.key];
  const list = document.getElementById("list");
  if (!step || !list || !list.contains(document.activeElement)) return;
  const links = Array.from(list.querySelectorAll("tbody th a"));
  const here = links.indexOf(document.activeElement);
  const next = links[here < 0 ? 0 : here + step];
  if (next) { event.preventDefault(); next.focus(); }
});

const MOST_FAILURES = 5;
const wait = () => {
  const judging = document.querySelector("[data-judging]");
  if (!judging) return;
  const bar = judging.querySelector("progress");
  let failures = 0;
  const show = (page) => {
    const main = document.getElementById("main");
    const inside = document.activeElement === document.body || main.contains(document.activeElement);
    document.title = page.title;
    main.replaceChildren(...page.getElementById("main").childNodes);
    if (inside) main.focus({ preventScroll: true });
    const place = document.getElementById(location.hash.slice(1));
    if (place) place.scrollIntoView();
    wait();  // what was shown may have to be judged once more
  };
  const look = () => told(judging.dataset.judging)
    .then((answer) => {
      failures = 0;
      if (answer.state !== "working") return fetched("#main").then(show);
      if (answer.share > 0) bar.value = answer.share;
      setTimeout(look, 500);
    })
    .catch(() => {
      failures += 1;
      if (failures < MOST_FAILURES) { setTimeout(look, 2000); return; }
      judging.querySelector("[role=status]").textContent = "The answer does not come. Load this page again.";
      bar.hidden = true;
    });
  setTimeout(look, 300);
};
wait();
