"""Real hits of other people's things, one by one in quiet, and double hits made of taps by hand.

Run: python -m tests.bench.real_hits

Sounds: finger taps, cymbals and bells of ../shared/real; in TAPTEST_HITS any folders, parted by the system's path
separator, with one struck thing a file, such as the unpacked Debian package hydrogen-drumkits. Files named after what
is no single blow (claps, shakers, rattles, flicks) are left out. A hit begins within 30 ms of where it was laid, 45 dB
over white noise, after 1.2 s of it or where the file begins; a visit's double hits are a tap mixed 60 to 250 ms after
another one, as loud or up to 8 dB softer.
"""

import argparse
import json
import os
import re
import tempfile
from collections import Counter
from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np

from taptest.errors import TaptestError
from taptest.sound.recording import open_recording, write_recording
from taptest.sound.taps import detect_taps
from taptest.visit.listen import Heard, listen
from tests.bench.foreign_sounds import NEAR_S, RATE, REAL, FloatArray, load

LEAD_S = 1.2
WRONG_DB = 1.0
"""A tap whose levels are off by so much in the median band is a wrong one."""
NO_SINGLE_BLOW = re.compile(
    r"clap|foot|swish|hat|hh|ho_|tambo|maraca|flink|shak|roll|demo|noise|loop|scratch|voice|kit_z01", re.IGNORECASE
)
SOUND = (".wav", ".flac", ".aiff", ".ogg")


def hits() -> Iterator[tuple[str, FloatArray]]:
    """Struck things as (what it is of, samples at 48 kHz)."""
    for path in sorted(REAL.glob("tap_trains/*.flac")):
        train = load(path)
        at_s = [tap.onset_s for tap in detect_taps([train.astype(np.float32)], RATE).taps]
        for begin_s, next_s in zip(at_s, [*at_s[1:], at_s[-1] + 0.5], strict=True):
            yield (
                "finger taps",
                train[round((begin_s - 0.004) * RATE) : round((min(next_s, begin_s + 0.5) - 0.02) * RATE)],
            )
    for path in sorted(REAL.glob("cymbals/*.wav")):
        yield "cymbals and bells", load(path)
    for folder in filter(None, os.environ.get("TAPTEST_HITS", "").split(os.pathsep)):
        for path in sorted(Path(folder).rglob("*")):
            if path.suffix.lower() in SOUND and not NO_SINGLE_BLOW.search(str(path.relative_to(folder))):
                try:
                    yield str(path.parent.relative_to(folder)), load(path)
                except TaptestError as error:
                    print(f"  left out: {error}")


def one_by_one(lead_s: float) -> tuple[Counter[str], Counter[str]]:
    """How many hits of each kind are used, and how many there are, with so much quiet before each."""
    used: Counter[str] = Counter()
    there: Counter[str] = Counter()
    for number, (kind, whole) in enumerate(hits()):
        peak = float(np.abs(whole).max(initial=0.0))
        if peak < 1e-4:
            continue
        begin = max(int(np.argmax(np.abs(whole) > 0.02 * peak)) - 240, 0)
        hit = whole[begin : begin + round(1.5 * RATE)]
        length = hit.size + round((lead_s + 0.8) * RATE)
        sound = 0.3 * 10 ** (-45 / 20) * 0.3 * np.random.default_rng(number).normal(size=length)
        sound[round(lead_s * RATE) :][: hit.size] += 0.3 * hit / peak
        taps = detect_taps([sound.astype(np.float32)], RATE).taps
        used[kind] += any(tap.used and abs(tap.onset_s - lead_s) < 0.03 for tap in taps)
        there[kind] += 1
    return used, there


def clean() -> None:
    used, there = one_by_one(LEAD_S)
    for kind in there:
        print(f"  {kind}: {used[kind]} of {there[kind]} used")
    print(f"real hits one by one: {used.total()} of {there.total()} used")
    used, there = one_by_one(0.0)
    print(f"files that begin with the hit: {used.total()} of {there.total()} used")


def doubled(visit: Path, folder: Path, rng: np.random.Generator) -> Iterator[tuple[Path, FloatArray, list[bool]]]:
    """Recordings of a visit in which about every fourth tap is hit twice: path, onsets, whether hit twice."""
    truth = json.loads((visit / "truth.json").read_text(encoding="utf-8"))["onsets_s"]
    for number, (name, onsets) in enumerate(sorted(truth.items())):
        recording = open_recording(visit / name)
        clean_sound, rate_hz = recording.read().astype(float), recording.rate_hz
        sound, twice = clean_sound.copy(), []
        for tap, onset_s in enumerate(onsets):
            twice.append(tap % 3 == 0 and rng.random() > 0.3)
            if twice[-1]:
                source = round((onsets[(tap + 1) % len(onsets)] - 0.003) * rate_hz)
                other = clean_sound[source : source + round(0.2 * rate_hz)] * 10 ** (rng.uniform(-8, 0) / 20)
                start = round((onset_s - 0.003 + rng.uniform(0.06, 0.25)) * rate_hz)
                other = other[: sound.size - start]
                sound[start : start + other.size] += other * np.minimum(1, np.arange(other.size) / 50)
        path = folder / f"{number}.wav"
        write_recording(path, sound, rate_hz)
        yield path, np.array(onsets), twice


def double_hits(visits: Sequence[Path]) -> None:
    got: Counter[str] = Counter()
    for number, place in enumerate(visits):
        clean_taps = {path.name: heard for path, heard in zip(*undisturbed(place), strict=True)}
        with tempfile.TemporaryDirectory() as folder:
            files = list(doubled(place, Path(folder), np.random.default_rng(50 + number)))
            expected = sum(onsets.size for _, onsets, _ in files)
            heard_files = listen([(path.name, path) for path, _, _ in files], (), expected)
            for (_, onsets, twice), heard, clean in zip(files, heard_files, clean_taps.values(), strict=True):
                for onset_s, double in zip(onsets, twice, strict=True):
                    reach_s = 0.3 if double else NEAR_S
                    used = [
                        n for n, tap in enumerate(heard.taps) if tap.used and -NEAR_S < tap.onset_s - onset_s < reach_s
                    ]
                    kind = "double" if double else "single"
                    got[kind] += 1
                    got[kind + " used"] += bool(used)
                    got[kind + " wrong"] += bool(used) and level_error_db(heard, used[0], clean) > WRONG_DB
    refused = got["double"] - got["double used"]
    print(f"double hits refused: {refused} of {got['double']}, used and wrong {got['double wrong']}; ", end="")
    print(f"single taps beside them used: {got['single used']} of {got['single']}")


def undisturbed(visit: Path) -> tuple[list[Path], Sequence[Heard]]:
    files = [
        visit / name for name in sorted(json.loads((visit / "truth.json").read_text(encoding="utf-8"))["onsets_s"])
    ]
    return files, listen([(path.name, path) for path in files])


def level_error_db(heard: Heard, number: int, clean: Heard) -> float:
    """Median over the bands of the change of a tap's levels; infinite where no tap of the clean recording is there."""
    away_s = [abs(tap.onset_s - heard.taps[number].onset_s) for tap in clean.taps]
    same = int(np.argmin(away_s))
    traits, wanted = heard.traits[number], clean.traits[same]
    if away_s[same] > NEAR_S or traits is None or wanted is None:
        return float("inf")
    return float(np.nanmedian(np.abs(traits.band_level_db - wanted.band_level_db)))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--visits", type=Path, help="double hits alone, made of the taps of visits with truth.json")
    given = parser.parse_args()
    if given.visits is None:
        clean()
    folder = given.visits or Path(__file__).parents[2] / "recordings_demo"
    double_hits([path.parent for path in sorted(folder.glob("*/truth.json")) if "noisy" not in path.parent.name])


if __name__ == "__main__":
    main()
