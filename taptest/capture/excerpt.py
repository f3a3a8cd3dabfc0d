"""From the journal to the visit: each point gets an audio file of its own with its accepted taps and the room's noise.

The raw recordings stay as they are. Where a point's taps lie in one stretch of them in which nothing else counts, the
excerpt is that stretch, untouched. Else it holds what the judgement needs and nothing that would mislead it, such as
refused taps and the round's own tones: a second of the noise floor, then each accepted tap from just before its onset
until just before its tone can sound, with half a second of the same noise floor after it. The joints are cross-faded so
that none of them sounds like a tap. Samples (N,) in -1..1, times in seconds.
"""

import re
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from taptest.capture.journal import Entry, Journal, read_log
from taptest.capture.notes import marks_left
from taptest.capture.round import Result
from taptest.capture.tape import wav_bytes
from taptest.disk import write_bytes
from taptest.sound.taps import OVERLAP_S, detect_taps
from taptest.visit.files import SOUND, read_visit, save_document
from taptest.visit.record import PointEntry

FloatArray = NDArray[np.float64]

HEAD_S = 1.0
"""Noise at the head: from this much on a recording's noise is measured in itself."""
BETWEEN_S = 0.6
BEFORE_S = 0.015
"""So little that the fading ring of the tap before, which may be in it, cannot pass for a hit of its own: a weak hit
less than 15 ms before a strong one is taken as the striker touching down."""
AFTER_S = OVERLAP_S
"""A tap is not decided sooner, so that its tone sounds later."""
FADE_IN_S = 0.01
FADE_OUT_S = 0.02
NOISE_FROM_S = 0.3
"""The first moments of a device may crackle."""
FRAME_S = 0.05
LEAD_IN_S = 0.4
LEAD_OUT_S = 0.4
"""Sound before the first and after the last tap of an untouched stretch, as far as nothing else is in it."""
RUNG_OUT_S = 0.35
"""So long after another tap nothing of it is taken for quiet."""
SAME_TAP_S = 0.005
"""Two onsets that near are the same tap: the tolerance by which detection is scored."""


def save_points(folder: Path, journal: Journal, results: Sequence[Result]) -> int:
    """Write the excerpts of all finished points and the document that names them; returns how many points it has.

    The visit's document must be there. A point that was moved by hand meanwhile stays where it was moved to. Raises
    `VisitError`, `StorageError`.
    """
    document = read_visit(folder).document
    there = {each.file: each for each in (*document.points, *document.reference)}
    entries: list[PointEntry] = []
    reference: list[PointEntry] = []
    excerpts = Excerpts(journal)
    for number, result in enumerate(of_marks(results), start=1):
        if not result.taps:
            continue
        on_line = result.stop.on_line
        entry = excerpts.write_point(folder, f"{'point' if on_line else 'reference'}-{number:02d}", result)
        (entries if on_line else reference).append(there.get(entry.file, entry))
    left_mm = tuple(round(1000 * depth, 1) for depth in marks_left(excerpts.noted))
    update = {"points": tuple(entries), "reference": tuple(reference), "marks_left": left_mm}
    save_document(folder, document.model_copy(update=update))
    return len(entries)


def of_marks(results: Sequence[Result]) -> list[Result]:
    """Return results with what was tapped near the ends for the first answer joined to the same mark of the line.

    A mark of the ends that the line has not come to yet stays where it is; one that was skipped there is left out.
    """
    first = {each.stop.depth_m: each for each in results if each.stop.kind == "end"}
    joined_to = {each.stop.depth_m for each in results if each.stop.kind == "point"} & first.keys()
    whole = []
    for each in results:
        if each.stop.kind == "end" and each.stop.depth_m in joined_to:
            continue
        if each.stop.kind == "point" and each.stop.depth_m in first and not each.skipped:
            before = first[each.stop.depth_m]
            refused = before.refused + each.refused
            whole.append(replace(each, taps=(*before.taps, *each.taps), refused=refused))
        else:
            whole.append(each)
    return whole


class Excerpts:
    """Audio files of one round's points, cut from its journal. What they write may raise `StorageError`."""

    def __init__(self, journal: Journal) -> None:
        """Read what the round noted, and its noise."""
        self._journal = journal
        self._floors = noise_floors(journal)
        self.noted = read_log(journal.folder)

    def write_point(self, folder: Path, prefix: str, result: Result) -> PointEntry:
        """Write a result's taps into a visit, named by its position; return the point."""
        position_mm = round(1000 * result.stop.depth_m, 1)
        name = f"{SOUND}/{prefix}-{re.sub('[^0-9]', '_', f'{position_mm:g}')}mm.wav"
        self.write(folder, name, result)
        return PointEntry(position_mm=position_mm, file=name)

    def write(self, folder: Path, name: str, result: Result) -> tuple[FloatArray, float]:
        """Write a result's taps into a visit under a name within it; return the sound (N,) and its rate."""
        cut = untouched(self._journal, result, self.noted) or point_sound(self._journal, result, self._floors)
        sound, rate_hz = cut
        write_bytes(folder.joinpath(*name.split("/")), wav_bytes(sound, round(rate_hz)))
        return sound, rate_hz


def untouched(journal: Journal, result: Result, noted: Sequence[Entry]) -> tuple[FloatArray, float] | None:
    """Return the stretch of the raw recording that holds exactly the taps of a result, and its rate; else None."""
    first, last = result.taps[0], result.taps[-1]
    if any(tap.recording != first.recording for tap in result.taps):
        return None
    start, end = first.onset_s - LEAD_IN_S, last.onset_s + LEAD_OUT_S
    for entry in noted:
        if entry.get("recording") != first.recording or entry["what"] not in ("tap", "practice", "ignored", "tone"):
            continue
        begins = float(entry.get("from_s", entry.get("onset_s", -1.0)))
        ends = begins + float(entry.get("length_s", RUNG_OUT_S))
        if first.onset_s <= begins + SAME_TAP_S and begins - SAME_TAP_S <= last.onset_s:
            if not entry.get("accepted"):
                return None
        elif begins < first.onset_s:
            start = max(start, ends)
        else:
            end = min(end, begins - BEFORE_S)
    start = max(min(start, first.onset_s - BEFORE_S), 0.0)
    sound, rate_hz = journal.sound(first.recording, start, end)
    onsets = [tap.onset_s - start for tap in result.taps]
    found = detect_taps([sound], rate_hz).taps if len(sound) else ()
    if len(found) != len(onsets) or not all(tap.used for tap in found):
        return None
    if any(abs(tap.onset_s - onset) > SAME_TAP_S for tap, onset in zip(found, onsets, strict=True)):
        return None
    return sound, rate_hz


def noise_floors(journal: Journal) -> dict[int, FloatArray]:
    """Return the quietest second of each recording's noise measurement, by the recording's number."""
    floors = {}
    for entry in read_log(journal.folder):
        if entry["what"] == "noise":
            sound, rate_hz = journal.sound(entry["recording"], NOISE_FROM_S, entry["until_s"])
            floors[entry["recording"]] = quietest(sound, round(HEAD_S * rate_hz), round(FRAME_S * rate_hz))
    return floors


def quietest(sound: FloatArray, length: int, frame: int) -> FloatArray:
    """Return the stretch of `length` samples whose loudest frame is the softest: without the bang that may be in it."""
    frames = sound[: len(sound) // frame * frame].reshape(-1, frame)
    count = length // frame
    if len(frames) <= count:
        return sound
    level = (frames**2).mean(axis=1)
    worst = np.lib.stride_tricks.sliding_window_view(level, count).max(axis=1)
    start = int(np.argmin(worst)) * frame
    return sound[start : start + length]


def point_sound(journal: Journal, result: Result, floors: Mapping[int, FloatArray]) -> tuple[FloatArray, float]:
    """Return the excerpt of one point and its rate, that of its last tap; taps at another rate are left out."""
    _, rate_hz = journal.sound(result.taps[-1].recording, 0.0, 0.0)
    whole: FloatArray | None = None
    turn = 0
    for tap in result.taps:
        sound, own_rate_hz = journal.sound(tap.recording, tap.onset_s - BEFORE_S, tap.onset_s + AFTER_S)
        if own_rate_hz != rate_hz:
            continue
        noise = floors.get(tap.recording, np.zeros(0))
        if whole is None:
            whole = noise_of(noise, HEAD_S, rate_hz, 0)
        turn += 1
        whole = joined(whole, sound, round(FADE_IN_S * rate_hz))
        whole = joined(whole, noise_of(noise, BETWEEN_S, rate_hz, turn), round(FADE_OUT_S * rate_hz))
    return np.zeros(0) if whole is None else whole, rate_hz


def noise_of(noise: FloatArray, length_s: float, rate_hz: float, turn: int) -> FloatArray:
    """Return a stretch of the noise floor, for each `turn` another part of it as far as it reaches."""
    length = round(length_s * rate_hz)
    if not len(noise):
        return np.zeros(length)
    start = turn * length // 2
    return np.asarray(noise[(start + np.arange(length)) % len(noise)])


def joined(first: FloatArray, second: FloatArray, fade: int) -> FloatArray:
    """Join two pieces end to end with a cross-fade of `fade` samples that keeps the power of unrelated noise."""
    overlap = min(fade, len(first), len(second))
    angle = 0.5 * np.pi * (np.arange(overlap) + 0.5) / max(overlap, 1)
    head, tail = first[: len(first) - overlap], first[len(first) - overlap :]
    blend = tail * np.cos(angle) + second[:overlap] * np.sin(angle)
    return np.concatenate((head, blend, second[overlap:]))
