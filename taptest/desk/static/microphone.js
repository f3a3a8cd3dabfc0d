// The browser's microphone as the ears of a round: asks for it, attaches this page, sends what is heard block by block.
"use strict";

{
  const ROUND = round.dataset.round;
  const WANTED = `taptest listens ${ROUND}`;
  const EARS = new URL("hear.js", document.currentScript.src);
  const KEPT_S = 10;
  const AGAIN_MS = 300;
  const PATIENCE = 8;
  const WHY = {
    NotAllowedError: "The browser refuses the microphone: this page is not allowed to use it. Allow it at the sign beside the address and, where the system asks too, in its privacy settings. Then press the button.",
    NotFoundError: "The browser shows no microphone. Plug one in, then press the button.",
    NotReadableError: "The microphone cannot be opened: another program may hold it, or the system forbids it. Close other programs that record, then press the button.",
  };
  const NONE = "This browser gives no microphone to this page: it does so only on the computer that taptest runs on, at the address that was printed there. Listen with that computer's browser or its sound device.";
  const ASLEEP = "The browser lets no sound run before a press. Press the button.";
  const AWAY = "The connection to taptest is lost; it is tried again. A few seconds of sound are kept meanwhile.";

  const word = part("micword");
  const button = part("micstart");
  const wait = (ms) => new Promise((done) => { setTimeout(done, ms); });
  const say = (sentence) => { if (word.textContent !== sentence) word.textContent = sentence; };
  const post = (path, body) => fetch(`${ROUND}/${path}`, { method: "POST", body });
  const sentenceOf = (answer) => answer.json().then((told) => told.sentence, () => "taptest refused the microphone.");

  const able = Boolean(navigator.mediaDevices && window.AudioWorkletNode);
  const offer = (yes) => { button.hidden = !(yes && able); };

  let ears = null;
  let busy = false;
  let over = round.dataset.over !== "no";
  let toned = null;
  let watching = false;

  const wish = (on) => {
    if (on) sessionStorage.setItem(WANTED, "yes");
    else sessionStorage.removeItem(WANTED);
  };

  const listens = (detail) => round.dispatchEvent(new CustomEvent("listens", { detail }));

  const release = () => {
    if (!ears) return;
    listens(false);
    const old = ears;
    ears = null;
    for (const track of old.stream.getTracks()) track.stop();
    old.context.close();
  };

  const stop = (sentence) => {
    release();
    say(sentence);
    offer(!over);
  };

  // A browser that cannot join a microphone and a context of another rate gets a context of the microphone's rate.
  const contextFor = (stream) => {
    const context = new AudioContext({ sampleRate: 48000, latencyHint: "interactive" });
    try {
      return [context, context.createMediaStreamSource(stream)];
    } catch {
      context.close();
      const usual = new AudioContext();
      return [usual, usual.createMediaStreamSource(stream)];
    }
  };

  const awake = async (context) => {
    if (context.state !== "running") await Promise.race([context.resume(), wait(1000)]);
    return context.state === "running";
  };

  const open = async () => {
    const stream = await navigator.mediaDevices.getUserMedia({
      audio: {
        echoCancellation: false, noiseSuppression: false, autoGainControl: false, channelCount: 1, sampleRate: 48000,
      },
    });
    const [context, source] = contextFor(stream);
    const mine = { stream, context, key: "", pending: [], sending: false };
    ears = mine;
    listens(true);
    await context.audioWorklet.addModule(EARS);
    mine.node = new AudioWorkletNode(context, "hear", {
      channelCount: 1, channelCountMode: "explicit", channelInterpretation: "discrete",
    });
    mine.node.port.onmessage = ({ data }) => keep(mine, data);
    source.connect(mine.node).connect(context.destination);
    stream.getAudioTracks()[0].addEventListener("ended", () => {
      if (ears !== mine) return;
      leave("unplugged");
      stop("The microphone has gone. Plug it in again, then press the button; the round goes on where it was.");
    });
    return mine;
  };

  const granted = ({ stream, context }) => {
    const track = stream.getAudioTracks()[0];
    const told = track.getSettings();
    const all = {
      label: track.label, rate: context.sampleRate, "device-rate": told.sampleRate, channels: told.channelCount,
      echo: told.echoCancellation, noise: told.noiseSuppression, gain: told.autoGainControl,
    };
    return new URLSearchParams(Object.entries(all).filter(([, value]) => value !== undefined));
  };

  // Another page may feed the round, or this one before it was reloaded: wait a little for that one to close.
  const attach = async (mine) => {
    for (let left = PATIENCE; ears === mine; left -= 1) {
      let answer = null;
      try {
        answer = await post("microphone", granted(mine));
      } catch {
        say(AWAY);
      }
      if (answer && answer.ok) {
        mine.key = (await answer.json()).stream;
        mine.pending = [];
        mine.node.port.postMessage("begin");
        say("Listening.");
        return;
      }
      if (answer && (answer.status !== 409 || !left)) {
        stop(await sentenceOf(answer));
        return;
      }
      await wait(answer ? 1000 : AGAIN_MS);
    }
  };

  const start = async () => {
    if (busy || ears || over) return;
    busy = true;
    button.hidden = true;
    wish(true);
    try {
      if (!able) { stop(NONE); return; }
      say("The browser asks whether this page may use the microphone: allow it.");
      const mine = await open();
      if (!await awake(mine.context)) { stop(ASLEEP); return; }
      await attach(mine);
    } catch (error) {
      stop(WHY[error.name] || `The browser's microphone does not work here (${error.name}). Choose another microphone or browser.`);
    } finally {
      busy = false;
    }
  };

  const keep = (mine, block) => {
    mine.pending.push(block);
    let samples = mine.pending.reduce((sum, each) => sum + each.samples.length, 0);
    while (samples > KEPT_S * mine.context.sampleRate) samples -= mine.pending.shift().samples.length;
    if (!mine.sending) send(mine);
  };

  // As many blocks as follow each other without a gap, a second at most.
  const next = ({ pending, context }) => {
    let length = 0;
    const taken = [];
    for (const each of pending) {
      if (taken.length && (each.first !== taken[0].first + length || length + each.samples.length > context.sampleRate)) break;
      taken.push(each);
      length += each.samples.length;
    }
    const body = new Float32Array(length);
    for (const each of taken) body.set(each.samples, each.first - taken[0].first);
    return [taken, body];
  };

  const send = async (mine) => {
    mine.sending = true;
    while (ears === mine && mine.pending.length) {
      const [taken, body] = next(mine);
      const query = new URLSearchParams({ stream: mine.key, first: taken[0].first });
      let answer = null;
      try {
        answer = await post(`heard?${query}`, new Blob([body]));
      } catch {
        say(AWAY);
        await wait(AGAIN_MS);
      }
      if (answer && answer.ok && (await answer.json()).due === null) release();
      else if (answer && answer.ok) mine.pending = mine.pending.filter((each) => !taken.includes(each));
      else if (answer && answer.status === 410) await attach(mine);
      else if (answer && ears === mine) stop(await sentenceOf(answer));
    }
    mine.sending = false;
  };

  const leave = (why) => {
    if (ears && ears.key) navigator.sendBeacon(`${ROUND}/microphone/leave`, new URLSearchParams({ stream: ears.key, why }));
  };

  const play = (tone) => {
    const known = toned !== null;
    const fresh = known && tone && tone.number > toned;
    toned = tone ? tone.number : 0;
    if (!fresh || !ears) return;
    let at = ears.context.currentTime + 0.01;
    for (const [hz, lasts] of tone.notes) {
      const note = new OscillatorNode(ears.context, { frequency: hz });
      const loud = new GainNode(ears.context, { gain: 0 });
      loud.gain.setValueAtTime(0, at);
      loud.gain.linearRampToValueAtTime(0.3, at + 0.012);
      loud.gain.setValueAtTime(0.3, at + lasts - 0.012);
      loud.gain.linearRampToValueAtTime(0, at + lasts);
      note.connect(loud).connect(ears.context.destination);
      note.start(at);
      note.stop(at + lasts);
      at += lasts;
    }
  };

  round.addEventListener("now", ({ detail }) => {
    play(detail.tone);
    const { fed, granted: sentence, warning, lost_s: lost } = detail.browser;
    const gone = lost ? ` ${lost.toFixed(1)} s of sound were lost on the way so far.` : "";
    if (!fed && watching) say(able ? "" : NONE);
    watching = fed && !ears;
    const whose = ears ? sentence : "Another tab or window listens for this round; this one shows it.";
    if (fed) say(`${whose} ${warning}${gone}`.trim());
    if (!ears && !busy) offer(!fed);
  });
  round.addEventListener("over", () => { over = true; wish(false); stop(""); });
  window.addEventListener("pagehide", () => { leave("left"); release(); });
  window.addEventListener("pageshow", (event) => { if (event.persisted) location.reload(); });
  button.addEventListener("click", start);

  const asked = new URL(location.href);
  if (asked.searchParams.has("listen")) {
    wish(true);
    asked.searchParams.delete("listen");
    history.replaceState(null, "", asked);
  }
  if (sessionStorage.getItem(WANTED)) start();
  else if (!able && !over && !word.textContent) say(NONE);
  else offer(!over);
}
