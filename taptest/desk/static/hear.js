// Runs in the browser's sound thread: gathers what the microphone gives into blocks, each with the number of its first
// sample, counted from the moment the page says "begin". What is missed makes the number jump, so that it is counted.
"use strict";

const BLOCK = 2304;
const STALL_MS = 200;

class Hear extends AudioWorkletProcessor {
  constructor() {
    super();
    this.counting = false;
    this.port.onmessage = () => {
      this.counting = true;
      this.count = 0;
      this.filled = 0;
      this.block = new Float32Array(BLOCK);
      this.frame = currentFrame;
      this.when = Date.now();
    };
  }

  process(inputs) {
    if (!this.counting) return true;
    const heard = inputs[0][0];
    const now = Date.now();
    const length = heard ? heard.length : 128;
    // A stall of the sound thread is longer than what the browser keeps for it: what came meanwhile is gone.
    const stalled = now - this.when > STALL_MS ? Math.round(((now - this.when) * sampleRate) / 1000) : 0;
    const missed = Math.max(currentFrame - this.frame, 0) + stalled + (heard ? 0 : length);
    this.when = now;
    this.frame = currentFrame + length;
    if (missed) {
      this.give();
      this.count += missed;
    }
    if (heard) this.take(heard);
    return true;
  }

  take(heard) {
    for (let at = 0; at < heard.length;) {
      const part = heard.subarray(at, at + BLOCK - this.filled);
      this.block.set(part, this.filled);
      this.filled += part.length;
      at += part.length;
      if (this.filled === BLOCK) this.give();
    }
  }

  give() {
    if (!this.filled) return;
    const samples = this.filled === BLOCK ? this.block : this.block.slice(0, this.filled);
    const first = this.count;
    this.count += samples.length;
    this.port.postMessage({ first, samples }, [samples.buffer]);
    this.filled = 0;
    this.block = new Float32Array(BLOCK);
  }
}

registerProcessor("hear", Hear);
