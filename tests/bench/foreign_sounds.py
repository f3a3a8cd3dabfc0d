"""Taps among other people's sounds: used false taps, true taps kept, signs of processing.

Run: python -m tests.bench.foreign_sounds              (all rows; needs the recordings named below, leaves out the rest)
     python -m tests.bench.foreign_sounds --visits DIR (only under these visits with truth.json)

Sounds: talk is made by the synthesiser espeak-ng; key presses are those of the Debian package bucklespring-data
(unpacked; its folder wav in TAPTEST_KEYS), doors those of minetest-data (its folder of the mod "doors" in
TAPTEST_DOORS); clocks, fires and dishes are those of ../shared/real. Clocks and fires are clips of 5 s: one is
repeated, but by themselves all fires are played one after another. By themselves sounds are heard as one recording of
40 s and cut into a dozen. A sound's level is the root mean square of its frames of 60 ms within 15 dB of the loudest
hundredth; a visit's that of the 60 ms after its median tap. A hit is matched within 5 ms.
"""

import argparse
import json
import os
import shutil
import subprocess
import tempfile
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from functools import partial
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.signal import resample_poly

from taptest.sound.processing import processing_signs
from taptest.sound.recording import open_recording, write_recording
from taptest.sound.taps import detect_taps
from taptest.visit.listen import listen

FloatArray = NDArray[np.float64]
RATE = 48_000
REAL = Path(os.environ.get("TAPTEST_REAL_DATA") or Path(__file__).parents[3] / "shared" / "real")
KEYS = Path(os.environ.get("TAPTEST_KEYS", ""))
DOORS = Path(os.environ.get("TAPTEST_DOORS", ""))
NEAR_S = 0.005
SECONDS, ALONE = 40, 12
"""Length of a sound by itself, and how many of each kind."""
TEXT = (
    "The boiler was serviced last week and the gauge showed a little over one bar. Could you hand me the big spanner "
    "please? No, the other one. It dripped yesterday, about one drop every ten seconds. Seventy, eighty, ninety. Stop. "
    "Take care of the step, it is dark down there. What is the time? Ten past eleven, roughly."
)
VOICES = ("en-gb", "en-us+f3", "de+f2", "fr+m1")


def load(path: Path, rate_hz: int = RATE) -> FloatArray:
    recording = open_recording(path)
    factor = int(np.gcd(recording.rate_hz, rate_hz))
    return np.asarray(resample_poly(recording.read().astype(float), rate_hz // factor, recording.rate_hz // factor))


def talk(number: int) -> FloatArray | None:
    if shutil.which("espeak-ng") is None:
        return None
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "talk.wav"
        subprocess.run(["espeak-ng", "-v", VOICES[number % 4], "-w", str(path), TEXT], check=True)
        return load(path)


def keys(number: int) -> FloatArray | None:
    """Two presses a second of twelve keys, each let go about a tenth of a second later."""
    if not (down := sorted(KEYS.glob("*-1.wav"))) or not KEYS.name:
        return None
    rng = np.random.default_rng(number)
    pairs = [(key, key.with_name(key.name.replace("-1", "-0"))) for key in rng.permutation(np.array(down))]
    pairs = [pair for pair in pairs if pair[1].exists()][:12]
    out, at_s = np.zeros(SECONDS * RATE), 0.5
    while at_s < SECONDS - 1:
        pressed, let_go = pairs[int(rng.integers(len(pairs)))]
        for path, when_s in ((pressed, at_s), (let_go, at_s + rng.uniform(0.07, 0.14))):
            wave, start = load(path), round(when_s * RATE)
            out[start : start + wave.size] += wave[: out.size - start]
        at_s += 0.5 * rng.lognormal(0, 0.4)
    return out


def doors(number: int) -> FloatArray | None:
    """A door opened or closed every one to four seconds, by up to 6 dB more or less."""
    if not (found := sorted(DOORS.glob("*door*.ogg"))) or not DOORS.name:
        return None
    rng = np.random.default_rng(number)
    out, at_s = np.zeros(SECONDS * RATE), 0.7
    while at_s < SECONDS - 2.5:
        wave, start = load(found[int(rng.integers(len(found)))]), round(at_s * RATE)
        out[start : start + wave.size] += wave[: out.size - start] * 10 ** (rng.uniform(-6, 0) / 20)
        at_s += rng.uniform(1.2, 4.0)
    return out


def clips(name: str) -> list[Path]:
    return [path for path in sorted(REAL.glob(f"site_noise/{name}_*.ogg")) if np.abs(load(path)).max() > 1e-3]


def clip(name: str, number: int) -> FloatArray | None:
    found = clips(name)
    return load(found[number % len(found)]) if found else None


def one_after_another(name: str, number: int) -> FloatArray | None:
    """All clips, each as loud as the others, beginning with another one for each number."""
    found = [load(path) for path in clips(name)]
    if not found:
        return None
    return np.roll(np.concatenate([wave / np.abs(wave).max() for wave in found]), -number * SECONDS // 4 * RATE)


def dishes(number: int) -> FloatArray | None:
    path = REAL / "household_noise" / "doing_the_dishes.wav"
    return np.roll(load(path), -number * 7 * RATE) if path.exists() else None


SOUNDS: dict[str, Callable[[int], FloatArray | None]] = {
    "talk": talk,
    "keys": keys,
    "clock": partial(clip, "005"),
    "fire": partial(clip, "006"),
    "dishes": dishes,
    "doors": doors,
}
BY_THEMSELVES = SOUNDS | {"fire": partial(one_after_another, "006")}


def level(sound: FloatArray, rate_hz: int) -> float:
    frame = round(0.06 * rate_hz)
    power = (sound[: sound.size // frame * frame].reshape(-1, frame) ** 2).mean(axis=1)
    return float(np.sqrt(power[power > np.quantile(power, 0.99) * 10**-1.5].mean()))


def mixed(visit: Path, folder: Path, sound: FloatArray | None, below_db: float) -> Iterator[tuple[Path, FloatArray]]:
    """Write each recording of a visit with the sound so far under its taps; yield it with its true onsets."""
    truth = json.loads((visit / "truth.json").read_text(encoding="utf-8"))["onsets_s"]
    for number, (name, onsets) in enumerate(sorted(truth.items())):
        recording = open_recording(visit / name)
        samples, rate_hz = recording.read().astype(float), recording.rate_hz
        if sound is not None:
            rings = [samples[round(t * rate_hz) :][: round(0.06 * rate_hz)] for t in onsets]
            factor = int(np.gcd(RATE, rate_hz))
            other = resample_poly(np.roll(sound, -3 * number * RATE), rate_hz // factor, RATE // factor)
            loud = float(np.median([np.sqrt(np.mean(ring**2)) for ring in rings])) * 10 ** (-below_db / 20)
            samples = samples + np.resize(other, samples.size) * loud / level(other, rate_hz)
        path = folder / f"{number}.wav"
        write_recording(path, samples, rate_hz)
        yield path, np.array(onsets)


def count(visit: Path, sound: FloatArray | None, below_db: float) -> Counter[str]:
    """True taps, used ones, false used ones, without (raw) and with the comparison of the hits."""
    document = json.loads((visit / "visit.json").read_text(encoding="utf-8"))
    counts = [point.get("taps") for point in document["points"]]
    got: Counter[str] = Counter()
    with tempfile.TemporaryDirectory() as folder:
        files = list(mixed(visit, Path(folder), sound, below_db))
        expected = sum(counts) if all(counts) else None
        for (path, onsets), heard in zip(files, listen([(p.name, p) for p, _ in files], (), expected), strict=True):
            recording = open_recording(path)
            raw = detect_taps(recording.blocks(), recording.rate_hz).taps
            for name, taps in (("", heard.taps), ("raw ", raw)):
                used = np.array([tap.onset_s for tap in taps if tap.used])
                near = np.abs(used[:, None] - onsets[None, :]) < NEAR_S
                got[name + "used"] += int(near.any(axis=0).sum())
                got[name + "false"] += int((~near.any(axis=1)).sum())
            got["true"] += onsets.size
    return got


def under_visits(visits: list[Path], below_db: float) -> None:
    for kind, made in {"nothing": lambda _: None, **SOUNDS}.items():
        total: Counter[str] = Counter()
        for number, visit in enumerate(visits):
            sound = made(number)
            if sound is not None or kind == "nothing":
                total += count(visit, sound, below_db)
        if total["true"]:
            print(
                f"{kind:8s} {below_db:.0f} dB under the taps: true taps used {total['used'] / total['true']:.3f} "
                f"(detector alone {total['raw used'] / total['true']:.3f}), false used in 45 "
                f"{45 * total['false'] / total['true']:.2f} (alone {45 * total['raw false'] / total['true']:.1f})"
            )


def alone() -> None:
    for kind, made in BY_THEMSELVES.items():
        got = {"one": 0, "dozen": 0, "raw": 0}
        sounds = [sound for number in range(ALONE) if (sound := made(number)) is not None]
        for number, sound in enumerate(sounds):
            whole = np.resize(sound, SECONDS * RATE)
            noise = 1e-4 * np.random.default_rng(number).normal(size=whole.size)
            whole = 0.3 * whole / np.abs(whole).max() + noise
            got["one"] += used_in([whole])
            got["dozen"] += used_in(np.array_split(whole, 12))
            got["raw"] += sum(tap.used for tap in detect_taps([whole.astype(np.float32)], RATE).taps)
        if sounds:
            per_minute = {name: 60 * count / (SECONDS * len(sounds)) for name, count in got.items()}
            print(
                f"{kind:8s} alone: used {per_minute['one']:.1f} a minute, cut into a dozen recordings "
                f"{per_minute['dozen']:.1f} (detector alone {per_minute['raw']:.0f})"
            )


def used_in(sounds: Sequence[FloatArray]) -> int:
    with tempfile.TemporaryDirectory() as folder:
        files = [(str(number), Path(folder) / f"{number}.wav") for number in range(len(sounds))]
        for (_, path), sound in zip(files, sounds, strict=True):
            write_recording(path, sound, RATE)
        return sum(tap.used for heard in listen(files) for tap in heard.taps)


def signs(visits: list[Path]) -> None:
    said = 0
    with tempfile.TemporaryDirectory() as folder:
        for visit in visits:
            files = [(path.name, path) for path, _ in mixed(visit, Path(folder), None, 0.0)]
            said += bool(processing_signs([one.traces for one in listen(files) if one.traces is not None]))
    print(f"clean visits with a sign of processing: {said} of {len(visits)}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument(
        "--visits", type=Path, help="visits to mix sounds under; recordings_demo, and sounds alone, else"
    )
    given = parser.parse_args()
    if given.visits is None:
        alone()
    folder = given.visits or Path(__file__).parents[2] / "recordings_demo"
    visits = [path.parent for path in sorted(folder.glob("*/truth.json")) if "noisy" not in path.parent.name]
    under_visits(visits, 10.0)
    signs(visits)


if __name__ == "__main__":
    main()
