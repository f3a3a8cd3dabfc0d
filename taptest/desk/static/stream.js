// One stream of events for all tabs that show the same round, and none while nobody looks.
"use strict";

// A browser opens six connections to a server, however many tabs there are: with a stream for each of them, all other
// pages would wait for ever. The tab that holds the lock has the stream and tells the others. Where there are no locks,
// as on the unencrypted page of a telephone, each tab that is looked at has a stream of its own.
const follow = (address, hear) => {
  const others = new BroadcastChannel(address);
  let source = null;
  let release = null;
  let asking = null;
  let last = null;
  let always = false;
  let over = false;

  const tell = (what) => {
    last = what;
    if (navigator.locks) others.postMessage(what);
    take(what);
  };
  const take = (what) => {
    if (what.over) { over = true; look(); }
    hear(what);
  };
  const open = () => {
    source = new EventSource(address);
    source.onmessage = (event) => tell({ now: JSON.parse(event.data) });
    source.onerror = () => tell({ lost: true });
    source.addEventListener("over", () => tell({ over: true }));
  };
  const close = () => {
    if (source) source.close();
    if (release) release();
    source = null;
    release = null;
  };
  const lead = () => new Promise((done) => {
    release = done;
    open();
  });
  const ask = () => {
    const mine = new AbortController();
    asking = mine;
    others.postMessage({ ask: true });
    navigator.locks.request(address, { signal: mine.signal }, () => (asking === mine ? lead() : null)).catch((error) => {
      if (error.name !== "AbortError") throw error;
    });
  };
  const look = () => {
    const wanted = !over && (always || document.visibilityState === "visible");
    if (!navigator.locks) {
      if (wanted && !source) open();
      if (!wanted) close();
    } else if (wanted && !asking) {
      ask();
    } else if (!wanted && asking) {
      asking.abort();
      asking = null;
      close();
    }
  };

  others.onmessage = ({ data }) => {
    if (data.ask) { if (source && last) others.postMessage(last); }
    else if (asking && !over) take(data);
  };
  document.addEventListener("visibilitychange", look);
  window.addEventListener("pagehide", () => {
    if (asking) asking.abort();
    asking = null;
    close();
  });
  window.addEventListener("pageshow", (event) => { if (event.persisted) look(); });
  look();
  return { keep: (on) => { always = on; look(); } };
};
