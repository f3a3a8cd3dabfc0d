"""Find the taps in a recording, when each began, and why some cannot be used.

Goal: every strike of a hand-held striker, with its onset to a fraction of a millisecond, at thousands of times real
time, block by block, so that a recording of any length and a live input are the same thing.

How: a Haar pyramid splits each frame of about 2.5 ms into octave bands (an orthonormal split whose frames need no state
between blocks); each band carries its own noise floor, so that hum or a fan in one band hides nothing in the others; a
frame whose bands rise together above both floor and recent past is a candidate; candidates are judged on attack, ring,
level and neighbours. Only around candidates are single samples looked at.

Conventions: samples (N,) float at full scale 1, one channel; times in seconds from the first sample fed; frames of
`hop` samples; energies are mean squares. Results do not depend on how the samples were cut into blocks.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from itertools import chain

import numpy as np
from numpy.typing import NDArray

from taptest.errors import RecordingError
from taptest.sound.records import Tap, TapTrain
from taptest.sound.remarks import WhyNot

Samples = NDArray[np.float32]
FloatArray = NDArray[np.float64]

RING_S = 0.060
"""Ring window: what a tap's traits are made of."""
BOUNCE_S = 0.080
"""A second hit that soon after the first is a bounce of the striker, not a tap of its own."""
CLUSTER_S = 0.200
"""A series of bounces is over by then."""
OVERLAP_S = 0.130
"""A next tap that early is judged for overlap with this tap's ring; also how long after a tap its verdict stands."""
TOP_BAND_HZ = 13_000.0
"""Octave bands whose upper edge lies above this carry hiss and coding noise, not the sound of a shell."""
FRAMES_PER_CHUNK = 16
CHUNKS_PER_FLOOR = 4
FLOOR_CHUNKS = 56
"""The floor looks back over this many chunks, about 2.4 s."""
FLOOR_SHARE = 0.3
"""Quantile of the chunk energies that counts as floor: taps and rings fill less than the rest."""
CANDIDATE_DB = 7.0
"""Mean rise over the bands that makes a frame a candidate (noise alone: mean 1 dB, deviation 0.6 dB)."""
LANDING_S = 0.015
"""A stronger hit that soon after a weaker one is the same strike landing; the weaker was the first touch."""
LANDING_SHARE = 0.25
"""First touch relative to the strike below which it was only that; otherwise the strike began with it, and its energy
swells for a moment as modes beat."""
SETTLED_S = 0.25
"""Time after a tap from which on the recording counts as quiet again."""
AT_START_S = 0.010
"""A hit so soon after the start is one with which the recording begins,"""
STARTS_LOUD = 100.0
"""if it is so many times as strong as the quietest part of the first seconds: 20 dB."""
LEAD_FROM_S = 4.0
"""So many seconds are searched for that quietest part."""
NOTHING_DB = 0.0
"""A hit that adds less energy than the noise has is a flutter of the noise and is not reported."""
WEAK_DB = 6.0
"""Tap-to-noise ratio below which a tap is too weak to use."""
BOUNCE_SHARE = 0.1
"""Energy of a bounce relative to its tap that spoils the tap: a third of its blow. One below the noise does not."""
SOONEST_BOUNCE_S = 0.012
"""A striker seldom comes back sooner (own judgement, no source). What a wall sends back later than that has gone 4 m
further than the direct sound and is, with the microphone a metre away or nearer, at most a fifth of it; what comes
sooner may be as strong as a bounce and counts as the room's."""
BEFORE_BOUNCE_S = 0.012
"""Its onset is sought against so much of the ring before it."""
BOUNCE_OVER_RING = 8.0
"""Energy of a bounce's surprise over that of the ring around it."""
PREDICTOR = 40
"""Order of the linear predictor that knows a ring from a new hit."""
PREDICTOR_RATE_HZ = 16_000.0
"""Rate at which it works; recordings below 12 kHz hold too little for it."""
PRECURSOR_SHARE = 0.03
"""A hit that much weaker than one following at once was the striker touching down or a rustle."""
OUTLIER_DB = 22.0
"""A strike that far below the others of its recording is handling noise or a slip."""
SLOWEST_RISE = 0.2
"""Least share of the peak energy that a tap reaches within `LANDING_S`."""
LEAST_PEAK = 1.5
"""Least ratio of the peaks of the first 10 ms to the mean from 50 to 100 ms, and"""
LEAST_FALL = 1.3
"""least ratio of the first 60 ms to 90 to 150 ms. Steady noise that was switched on has neither; a long ring may swell
for a while as its modes beat, and a roll of taps may go on, but not both."""
EVEN_BANDS = 4.0
"""Both are looked for in the energy and, where a low note swells under a blow, in the bands counted alike, which are
those that rise to far more than so many times their noise."""
LEAST_RING = 0.002
"""Least share of a tap's energy that comes later than 4 ms: a click in the cable has no ring."""
SILENCE = 1e-12
"""Mean square below which there is only rounding: -120 dB."""


@dataclass(slots=True)
class _Hit:
    """A candidate as the detector follows it: one hit and the bounces after it."""

    frame: int
    strength: float
    last_frame: int
    touch_frame: int
    """Frame of the first touch, from which on the onset is sought."""
    bounce_frame: int | None = None
    """Frame of the strongest hit in its ring that may spoil it,"""
    bounce_strength: float = 0.0


class TapDetector:
    """Finds taps in blocks of samples, however long the blocks are.

    `feed` returns the taps whose verdict stands, `OVERLAP_S` and at most one chunk (about 45 ms) after their onset;
    `finish` returns the rest. A tap's `free_s` is then known only up to that horizon; `detect_taps` completes it.
    """

    def __init__(self, rate_hz: float, candidate_db: float = CANDIDATE_DB) -> None:
        if not 4_000 <= rate_hz <= 400_000:
            raise RecordingError(
                f"A sampling rate of {rate_hz:g} Hz cannot be used; record with 8000 to 192000 samples a second."
            )
        self.rate_hz = float(rate_hz)
        self._candidate_db = candidate_db
        self.hop = int(2 ** round(np.log2(0.0025 * rate_hz)))
        depth = int(np.log2(self.hop))
        self._levels = [j for j in range(1, depth) if rate_hz / 2**j <= TOP_BAND_HZ]
        self._fed = 0
        self._raw: Samples = np.zeros(0, np.float32)
        self._raw_start = 0
        self._energy: FloatArray = np.zeros((0, len(self._levels)))
        self._floor: FloatArray = np.zeros((0, len(self._levels)))
        self._first_frame = 0
        self._chunks: FloatArray = np.zeros((0, len(self._levels)))
        self._chunks_done = 0
        self._scored = 0
        self._hits: list[_Hit] = []
        self._floors_seen: list[float] = []
        self._groups_seen = 0
        self._finished = False

    @property
    def duration_s(self) -> float:
        """How much sound was fed."""
        return self._fed / self.rate_hz

    @property
    def noise_db(self) -> float:
        """Noise floor in the tap band so far, dB relative to full scale (root mean square)."""
        middle = float(np.median(self._floors_seen)) if self._floors_seen else 0.0
        return 10 * float(np.log10(max(middle, SILENCE)))

    def feed(self, block: NDArray[np.floating]) -> tuple[Tap, ...]:
        """Take the next samples (N,) and return the taps whose verdict stands now, in order of time."""
        if self._finished:
            raise RecordingError("A tap detector that was finished takes no more samples; make a new one.")
        samples = np.asarray(block, dtype=np.float32)
        self._fed += samples.size
        self._raw = np.concatenate((self._raw, samples)) if self._raw.size else samples.copy()
        self._take_frames(whole_chunks=True)
        return self._settle()

    def finish(self) -> tuple[Tap, ...]:
        """End the recording and return the remaining taps."""
        if self._finished:
            return ()
        self._finished = True
        self._take_frames(whole_chunks=False)
        return self._settle()

    # ---- frames and floors -------------------------------------------------------------------------------------------

    def _take_frames(self, *, whole_chunks: bool) -> None:
        """Turn raw samples into frame energies, floors and candidates."""
        frames_known = self._first_frame + len(self._energy)
        start = frames_known * self.hop - self._raw_start
        count = (self._raw.size - start) // self.hop
        if whole_chunks:
            unit = FRAMES_PER_CHUNK * (1 if frames_known else CHUNKS_PER_FLOOR)
            count = count - count % FRAMES_PER_CHUNK if count >= unit else 0
        if count <= 0:
            return
        energy = octave_energies(self._raw[start : start + count * self.hop], self.hop, self._levels)
        floor = self._floors(energy, frames_known)
        self._energy = np.concatenate((self._energy, energy))
        self._floor = np.concatenate((self._floor, floor))
        self._find_hits()

    def _floors(self, energy: FloatArray, first: int) -> FloatArray:
        """Noise floor (F, B) for new frames, from chunks before their group of chunks (or the very first)."""
        whole = len(energy) // FRAMES_PER_CHUNK * FRAMES_PER_CHUNK
        fresh = energy[:whole].reshape(-1, FRAMES_PER_CHUNK, energy.shape[1]).mean(axis=1)
        if not len(fresh) and not len(self._chunks):
            fresh = energy.mean(axis=0, keepdims=True)
        first_chunk = self._chunks_done - len(self._chunks)
        chunks = np.concatenate((self._chunks, fresh))
        chunk_of_frame = (first + np.arange(len(energy))) // FRAMES_PER_CHUNK
        groups = chunk_of_frame // CHUNKS_PER_FLOOR
        ends = np.maximum(np.arange(groups[0], groups[-1] + 1) * CHUNKS_PER_FLOOR, CHUNKS_PER_FLOOR) - first_chunk
        floors = np.maximum(_low_quantiles(chunks, ends), SILENCE)
        fresh_groups = groups[-1] + 1 - max(self._groups_seen, groups[0])
        if fresh_groups > 0:
            self._floors_seen.extend(floors[-fresh_groups:].sum(axis=1).tolist())
        self._groups_seen = int(groups[-1]) + 1
        self._chunks_done += len(fresh)
        self._chunks = chunks[-(FLOOR_CHUNKS + CHUNKS_PER_FLOOR) :]
        return np.asarray(floors[groups - groups[0]])

    def _find_hits(self) -> None:
        """Score the new frames and follow hits and their bounces."""
        ahead = 0 if self._finished else 4
        end = self._first_frame + len(self._energy) - ahead
        if end <= self._scored:
            return
        look = 8
        low = max(self._scored - look, self._first_frame)
        part = slice(low - self._first_frame, None)
        energy, floor = self._energy[part], self._floor[part]
        rise = rises(energy, floor)
        peak = rise >= self._candidate_db
        peak[1:] &= rise[1:] >= rise[:-1]
        peak[:-1] &= rise[:-1] > rise[1:]
        for local in np.flatnonzero(peak):
            frame = int(local) + low
            if self._scored <= frame < end:
                self._follow(frame, _strength(energy, floor, int(local)))
        self._scored = end

    def _follow(self, frame: int, strength: float) -> None:
        """Add a hit, or count it as a bounce of the one before, or let it replace a precursor."""
        frame_s = self.hop / self.rate_hz
        if self._hits:
            main = self._hits[-1]
            since_main = (frame - main.frame) * frame_s
            since_last = (frame - main.last_frame) * frame_s
            if since_last <= BOUNCE_S and since_main <= CLUSTER_S:
                landing = since_main <= LANDING_S
                if main.strength < (LANDING_SHARE if landing else PRECURSOR_SHARE) * strength:
                    touch = main.touch_frame if landing else frame
                    self._hits[-1] = _Hit(frame, strength, frame, touch)
                elif not landing and strength > BOUNCE_SHARE * main.strength:
                    main.last_frame = frame
                    if strength > main.bounce_strength:
                        main.bounce_frame, main.bounce_strength = frame, strength
                return
        self._hits.append(_Hit(frame, strength, frame, frame))

    # ---- verdicts ----------------------------------------------------------------------------------------------------

    def _settle(self) -> tuple[Tap, ...]:
        """Judge the hits whose horizon has passed and forget what is no longer needed."""
        frame_s = self.hop / self.rate_hz
        horizon = self._scored if self._finished else self._scored - int(np.ceil(OVERLAP_S / frame_s)) - 2
        ready = [hit for hit in self._hits if self._finished or hit.frame < horizon]
        taps = []
        for i, hit in enumerate(ready):
            after = self._hits[i + 1] if i + 1 < len(self._hits) else None
            tap = self._judge(hit, after)
            if tap.tap_to_noise_db >= NOTHING_DB:
                taps.append(tap)
        self._hits = self._hits[len(ready) :]
        self._forget()
        return tuple(taps)

    def _forget(self) -> None:
        """Drop frames and samples that no verdict can need any more."""
        keep_frames = int(np.ceil(0.25 * self.rate_hz / self.hop))
        needed = min([self._scored, *(hit.frame for hit in self._hits)]) - keep_frames
        drop = needed - self._first_frame
        if drop > 0:
            self._energy = self._energy[drop:]
            self._floor = self._floor[drop:]
            self._first_frame = needed
            self._raw = self._raw[needed * self.hop - self._raw_start :].copy()
            self._raw_start = needed * self.hop

    def _judge(self, hit: _Hit, after: _Hit | None) -> Tap:
        """Measure one hit and say whether it can be used."""
        onset = self._onset_sample(hit.touch_frame, hit.frame)
        end = self._raw_start + self._raw.size
        ring = self._raw[onset - self._raw_start :][: int(RING_S * self.rate_hz)]
        peak = float(np.abs(ring).max(initial=0.0))
        horizon = end if after is None else min(end, after.frame * self.hop)
        k = hit.frame - self._first_frame
        ratio_db = _tap_to_noise_db(self._energy, self._floor, k, self._frames(RING_S))
        second_s = self._second_s(hit, onset, horizon, max(BOUNCE_SHARE, float(10 ** (-ratio_db / 10))))
        why: WhyNot | None = None
        if ratio_db < WEAK_DB:
            why = WhyNot.TOO_WEAK
        elif self._finished and end - onset < RING_S * self.rate_hz and after is None:
            why = WhyNot.CUT_OFF
        elif self._is_noise_burst(k, len(self._energy) if after is None else after.frame - self._first_frame):
            why = WhyNot.NOISE_BURST
        elif is_clipped(ring):
            why = WhyNot.CLIPPED
        elif second_s is not None:
            why = WhyNot.DOUBLE_HIT
        elif after is not None and self._overlaps(hit, after):
            why = WhyNot.OVERLAPS
            second_s = self._onset_sample(after.touch_frame, after.frame, BEFORE_BOUNCE_S) / self.rate_hz
        return Tap(
            onset_s=onset / self.rate_hz,
            peak_db=20 * float(np.log10(max(peak, 1e-6))),
            tap_to_noise_db=ratio_db,
            free_s=(horizon - onset) / self.rate_hz,
            why_not=why,
            second_s=second_s,
        )

    def _frames(self, seconds: float) -> int:
        return max(round(seconds * self.rate_hz / self.hop), 1)

    def _onset_sample(self, touch_frame: int, frame: int, back_s: float = 0.030) -> int:
        """First sample of a hit whose noise is sought in the `back_s` before its first touch."""
        low = max((touch_frame - self._frames(back_s)) * self.hop, self._raw_start)
        high = (frame + self._frames(0.008)) * self.hop
        stretch = self._raw[low - self._raw_start : high - self._raw_start]
        quiet = (touch_frame - 2) * self.hop - low
        return low + onset_in(stretch, max(quiet, 1), self.rate_hz)

    def _is_noise_burst(self, k: int, next_k: int) -> bool:
        """Whether the energy comes slowly, does not fall, or has no ring; `k`, `next_k` index the kept frames."""
        at = min(k, 16)
        end = min(k + self._frames(0.150), next_k - 1)
        bands = self._energy[k - at : end] / self._floor[k]
        before = bands[: at - 6].mean(axis=0) if at > 6 else 1.0
        over = np.maximum(bands[max(at - 1, 0) :] - before, 0.0)
        energy = over.mean(axis=1)
        evenly = (over / (over.max(axis=0) + EVEN_BANDS)).mean(axis=1)
        if not (self._falls(energy) or self._falls(evenly)):
            return True
        blow = LEAST_RING * float(energy[:3].sum())
        return blow > 3.0 and float(energy[4 : self._frames(0.020)].sum()) < blow

    def _falls(self, above: FloatArray) -> bool:
        """Whether an energy (F,), one frame before a hit and on, rises soon and falls soon."""
        early = above[: self._frames(LANDING_S) + 1]
        late = above[early.size : self._frames(0.060)]
        if late.size and early.max() < SLOWEST_RISE * late.max():
            return False
        peaks = np.sort(above[: self._frames(0.010) + 1])[-3:].mean()
        first, middle = above[: self._frames(0.060)], above[self._frames(0.050) : self._frames(0.100)]
        tail = above[self._frames(0.090) :]
        flat = peaks < LEAST_PEAK * middle.mean() if middle.size else False
        return not (flat and tail.size >= self._frames(0.020) and first.mean() < LEAST_FALL * tail.mean())

    def _second_s(self, hit: _Hit, onset: int, horizon: int, share: float) -> float | None:
        """Time of a second blow in the ring with at least this share of the energy of the first; None without one."""
        if hit.bounce_frame is not None and hit.bounce_strength > share * hit.strength:
            return self._onset_sample(hit.bounce_frame, hit.bounce_frame, BEFORE_BOUNCE_S) / self.rate_hz
        start = max(onset - self._raw_start - int(0.002 * self.rate_hz), 0)
        stop = min(horizon, onset + int((BOUNCE_S + 0.012) * self.rate_hz)) - self._raw_start
        after_s = second_blow_s(self._raw[start:stop], self.rate_hz, share)
        return None if after_s is None else (self._raw_start + start) / self.rate_hz + after_s

    def _overlaps(self, hit: _Hit, after: _Hit) -> bool:
        """Whether the next tap begins while this one still rings within 10 dB of it; a far softer hit is no tap."""
        late = (after.frame - hit.frame) * self.hop > OVERLAP_S * self.rate_hz
        if late or after.strength < BOUNCE_SHARE * hit.strength:
            return False
        k = after.frame - self._first_frame
        before = (self._energy[k - 5 : k - 1] / self._floor[k]).mean()
        return bool(before > 0.1 * (self._energy[k : k + 4] / self._floor[k]).mean())


def octave_energies(samples: Samples, hop: int, levels: list[int]) -> FloatArray:
    """Mean squares (F, B) of F frames of `hop` samples in the octaves `levels` of the orthonormal Haar pyramid.

    Level j holds about the octave from rate / 2^(j+1) to rate / 2^j (Mallat, A Wavelet Tour of Signal Processing,
    chapter 7).
    """
    smooth = samples
    out = np.empty((samples.size // hop, len(levels)))
    for level in range(1, levels[-1] + 1):
        even, odd = smooth[0::2], smooth[1::2]
        if level in levels:
            detail = (even - odd).reshape(out.shape[0], -1)
            # Plain sums and differences are sqrt(2) a level above orthonormal ones; their squares are put right here.
            out[:, levels.index(level)] = np.einsum("ij,ij->i", detail, detail) * (0.5**level / hop)
        smooth = even + odd
    return out


def _low_quantiles(chunks: FloatArray, ends: NDArray[np.int64]) -> FloatArray:
    """(G, B) quantile `FLOOR_SHARE` of the up to `FLOOR_CHUNKS` rows of chunks (C, B) before each of `ends` (G,)."""
    out = np.empty((ends.size, chunks.shape[1]))
    full = ends >= FLOOR_CHUNKS
    if full.any():
        kth = int(FLOOR_SHARE * FLOOR_CHUNKS)
        windows = np.lib.stride_tricks.sliding_window_view(chunks, FLOOR_CHUNKS, axis=0)[ends[full] - FLOOR_CHUNKS]
        out[full] = np.partition(windows, kth, axis=2)[:, :, kth]
    for i in np.flatnonzero(~full):
        past = chunks[: ends[i]]
        # At the very beginning a tap may fill most of what was heard: the quietest chunk is the floor.
        kth = int(FLOOR_SHARE * len(past)) if len(past) > CHUNKS_PER_FLOOR else 0
        out[i] = np.partition(past, kth, axis=0)[kth]
    return out


def rises(energy: FloatArray, floor: FloatArray) -> FloatArray:
    """(F,) mean over bands of each frame's rise, 0 to 40 dB, over the floor and the frames two to five before it.

    Each octave counts by the square root of its share of the samples: the fewer, the more its energy flutters.
    """
    past = np.zeros_like(energy)
    for back in range(2, 6):
        past[back:] += energy[:-back]
    past /= 4
    past[:5] = np.maximum(past[:5], floor[:5])
    ratio = energy / np.maximum(past, floor)
    share = np.sqrt(0.5) ** np.arange(energy.shape[1])
    return np.asarray(np.clip(10 * np.log10(np.maximum(ratio, 1.0)), 0.0, 40.0) @ (share / share.sum()))


def _strength(energy: FloatArray, floor: FloatArray, k: int) -> float:
    """Energy of the first 5 ms of a hit above what was there before it, in units of the floor."""
    now = (energy[k : k + 2] / floor[k]).sum()
    before = (energy[max(k - 5, 0) : max(k - 1, 1)] / floor[k]).mean(axis=0).sum() * 2
    return float(max(now - before, 0.0))


def _tap_to_noise_db(energy: FloatArray, floor: FloatArray, k: int, frames: int) -> float:
    """Energy in the ring window over that of the noise, mean over the octave bands, dB.

    The noise is the floor, or the half-dead ring of the tap before where that is louder.
    """
    before = energy[max(k - 16, 0) : max(k - 6, 0)]
    noise = np.maximum(floor[k], before.mean(axis=0)) if len(before) else floor[k]
    ring = energy[max(k - 1, 0) : k + frames].mean(axis=0)
    return 10 * float(np.log10(max(float((ring / noise).mean()) - 1.0, 1e-3)))


def onset_in(stretch: Samples, quiet: int, rate_hz: float) -> int:
    """Index in `stretch` (N,) where a hit begins whose noise before it spans the first `quiet` samples.

    The difference over an eighth of a millisecond takes off hum; the onset is where its square, averaged over half a
    millisecond, first exceeds a twentieth of its peak and all the noise before.
    """
    lag = max(round(rate_hz / 8000), 1)
    smooth = max(round(rate_hz * 0.0005), 1)
    if stretch.size <= lag + smooth + 1:
        return 0
    edge = stretch[lag:].astype(np.float64) - stretch[:-lag]
    running = np.concatenate(([0.0], np.cumsum(edge**2)))
    power = (running[smooth:] - running[:-smooth]) / smooth
    shift = lag + smooth - 1
    begin = max(quiet - shift, 1)
    noise, search = power[:begin], power[begin:]
    peak = float(search.max())
    bar = min(max(0.05 * peak, 1.5 * float(noise.max()), 3 * float(noise.mean())), 0.5 * peak)
    first = begin + int(np.argmax(search >= bar))
    # power[i] ends at sample i + shift: a step becomes visible there when the newest sample of the average holds it.
    return min(first + shift, stretch.size - 1)


def second_blow_s(stretch: Samples, rate_hz: float, share: float = BOUNCE_SHARE) -> float | None:
    """Time in a stretch (N,) of a second blow after the one it begins with (2 ms from its first sample), or None.

    A ring is a sum of decaying modes, which a linear predictor foresees sample by sample (Makhoul, Proc. IEEE 63, 1975,
    561; covariance method); a blow it cannot foresee. A second blow is a surprise well over the ring around it and not
    below that `share` of the surprise of the first, at least `SOONEST_BOUNCE_S` after it.
    """
    if rate_hz < 0.75 * PREDICTOR_RATE_HZ:
        return None
    thin = max(round(rate_hz / PREDICTOR_RATE_HZ), 1)
    rate = rate_hz / thin
    count = stretch.size // thin
    x = np.zeros(count)
    for k in range(thin):
        x += stretch[k : count * thin : thin]
    first = int(0.005 * rate)  # 2 ms before the onset and 3 ms of the blow itself teach the predictor nothing
    step = max(int(0.0005 * rate), 1)
    if count < first + 5 * PREDICTOR:
        return None
    # Every second row teaches as well as all of them: there are many times more rows than coefficients.
    taught = np.ascontiguousarray(_windows(x[first:], PREDICTOR + 1)[::2])
    gram = taught.T @ taught
    normal = gram[:-1, :-1]
    normal[np.diag_indices(PREDICTOR)] += 1e-9 * np.trace(normal) / PREDICTOR + 1e-30
    predictor = np.linalg.solve(normal, gram[:-1, -1])
    surprise = np.convolve(x, np.concatenate(([1.0], -predictor[::-1])))[:count] ** 2
    power = surprise[: surprise.size // step * step].reshape(-1, step).sum(axis=1) / step
    power = np.maximum(power[:-1] + power[1:], 1e-30)
    begin = int((0.002 + SOONEST_BOUNCE_S) * rate) // step
    around = int(0.012 * rate) // step
    late = power[begin:]
    if late.size < 2 * around:
        return None
    padded = np.concatenate((late[:around][::-1], late, late[-around:][::-1]))
    usual = np.partition(_windows(padded, 2 * around + 1), around, axis=1)[:, around]
    blow = (late > BOUNCE_OVER_RING * usual) & (late > share * power[: int(0.007 * rate) // step].max())
    return (begin + int(np.argmax(blow))) * step / rate if blow.any() else None


def _windows(x: FloatArray, length: int) -> FloatArray:
    """All windows (N - length + 1, length) of x (N,), as a view; numpy's own takes longer than what is done with it."""
    return np.ndarray((x.size - length + 1, length), x.dtype, x, strides=(x.itemsize, x.itemsize))


def is_clipped(ring: Samples) -> bool:
    """Whether the loudest part of a tap has flat tops: three samples at full scale, or four equal ones at the peak."""
    size = np.abs(ring)
    peak = float(size.max(initial=0.0))
    if peak <= 0:
        return False
    if np.count_nonzero(size >= 0.995) >= 3:
        return True
    top = size >= 0.999 * peak
    if np.count_nonzero(top) < 4:
        return False
    runs = top[:-3] & top[1:-2] & top[2:-1] & top[3:]
    equal = np.abs(np.diff(ring)) < 1e-7
    return bool((runs & equal[:-2] & equal[1:-1] & equal[2:]).any() and peak > 0.05)


def detect_taps(blocks: Iterable[NDArray[np.floating]], rate_hz: float, candidate_db: float = CANDIDATE_DB) -> TapTrain:
    """Find all taps of a recording given as blocks of samples (one block will do).

    Beyond what `TapDetector` does, `free_s` reaches to the next tap or the end, strikes far weaker than the rest of the
    recording are marked too weak (handling noise, slips), and a hit with which the recording begins is heard against
    the quiet that follows it.
    """
    detector = TapDetector(rate_hz, candidate_db)
    found: list[Tap] = []
    rest = iter(blocks)
    begin = _first_seconds(rest, rate_hz)
    lead = quiet_before(begin, rate_hz, detector.hop * FRAMES_PER_CHUNK)
    lead_s = lead.size / rate_hz
    for block in chain([lead] if lead_s else [], [begin], rest):
        found.extend(detector.feed(block))
    found.extend(detector.finish())
    duration_s = detector.duration_s - lead_s
    if duration_s <= 0:
        raise RecordingError("The recording holds no samples; record again.")
    found = [_earlier(tap, lead_s) for tap in found if tap.onset_s > lead_s - AT_START_S]
    ends = [*(tap.onset_s for tap in found[1:]), duration_s][: len(found)]
    taps = [replace(tap, free_s=end - tap.onset_s) for tap, end in zip(found, ends, strict=True)]
    return TapTrain(tuple(mark_outliers(taps)), float(rate_hz), duration_s, detector.noise_db)


def _earlier(tap: Tap, by_s: float) -> Tap:
    """Return a tap with its times counted from so much later on."""
    second_s = None if tap.second_s is None else tap.second_s - by_s
    return replace(tap, onset_s=max(tap.onset_s - by_s, 0.0), second_s=second_s)


def _first_seconds(blocks: Iterator[NDArray[np.floating]], rate_hz: float) -> Samples:
    """Take so many blocks that `LEAD_FROM_S` are there, or all, and return them as one."""
    parts: list[Samples] = []
    while sum(part.size for part in parts) < LEAD_FROM_S * rate_hz:
        block = next(blocks, None)
        if block is None:
            break
        parts.append(np.asarray(block, dtype=np.float32))
    return np.concatenate(parts) if parts else np.zeros(0, np.float32)


def quiet_before(block: NDArray[np.floating], rate_hz: float, chunk: int) -> Samples:
    """Return what to put before a recording that begins with a hit, made of its quietest `chunk` samples.

    Empty where the recording does not begin far louder than the quietest of its first seconds (N,). The chunk is turned
    round again and again, so that it goes on without a step.
    """
    samples = np.asarray(block[: round(LEAD_FROM_S * rate_hz)], dtype=np.float32)
    whole = samples.size // chunk
    if whole < 2:
        return np.zeros(0, np.float32)
    parts = samples[: whole * chunk].reshape(whole, chunk)
    energy = np.einsum("ij,ij->i", np.diff(parts), np.diff(parts))
    start = samples[: max(round(AT_START_S * rate_hz), 2)]
    loudest = float((np.diff(start) ** 2).sum()) * chunk / start.size
    quietest = int(np.argmin(energy))
    if loudest < STARTS_LOUD * max(energy[quietest], SILENCE * chunk):
        return np.zeros(0, np.float32)
    there = parts[quietest]
    back = there[::-1]
    return np.concatenate([there, back] * 4)


def mark_outliers(taps: list[Tap]) -> list[Tap]:
    """Mark strikes more than `OUTLIER_DB` below the upper quartile of the recording's strikes as too weak."""
    strikes = [tap.tap_to_noise_db for tap in taps if tap.why_not not in (WhyNot.NOISE_BURST, WhyNot.TOO_WEAK)]
    if len(strikes) < 4:
        return taps
    least = float(np.quantile(strikes, 0.75)) - OUTLIER_DB
    return [
        replace(tap, why_not=WhyNot.TOO_WEAK)
        if tap.tap_to_noise_db < least and tap.why_not in (None, WhyNot.DOUBLE_HIT, WhyNot.OVERLAPS, WhyNot.CUT_OFF)
        else tap
        for tap in taps
    ]


def quiet_starts(train: TapTrain, *, length_s: float = RING_S, most: int = 3) -> FloatArray:
    """(Q,) beginnings in seconds of stretches of `length_s` without taps, up to `most` before each tap and at the end.

    Where taps follow each other so fast that none is quiet, the stretch just before the next tap is taken.
    """
    onsets = [tap.onset_s for tap in train.taps]
    free_from = [0.0, *(onset + SETTLED_S for onset in onsets)]
    free_to = [*(onset - 0.005 for onset in onsets), train.duration_s]
    starts: list[float] = []
    for low, high in zip(free_from, free_to, strict=True):
        count = min(int(max(high - low, 0.0) / length_s), most)
        if count == 0 and high - low > -SETTLED_S / 2 and high > length_s:
            count = 1
        starts.extend(high - length_s * (k + 1) for k in reversed(range(count)))
    return np.array(starts)
