"""Real taps through chains that falsify them: how often a remark says so, and how often of clean ones.

Run: python -m tests.bench.processed

Sounds: the finger taps of ../shared/real and the readable demonstration visits (simulated), as they are (clean), and
through automatic gain (`simulate.rooms`), a gate, spectral subtraction (Boll, IEEE Trans. Acoust. Speech Signal
Process. 27, 1979, 113), a telephone call (300 to 3400 Hz at 8 kHz, mu-law: ITU-T G.712 and G.711) and 12 dB too much
level. Clipping is said where two taps or more are refused for it.
"""

import tempfile
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

import numpy as np
from scipy.signal import butter, istft, resample_poly, sosfilt, stft

from taptest.simulate.rooms import automatic_gain
from taptest.sound.processing import processing_signs, traces_of
from taptest.sound.recording import open_recording, write_recording
from taptest.sound.remarks import WhyNot
from taptest.sound.taps import detect_taps
from tests.bench.foreign_sounds import RATE, REAL, FloatArray, load

DEMO = Path(__file__).parents[2] / "recordings_demo"


def gate(sound: FloatArray) -> FloatArray:
    """Open for 0.1 s after each frame of 5 ms within 20 dB of the loudest hundredth, else 40 dB down."""
    frames = sound[: sound.size // 240 * 240].reshape(-1, 240)
    peak = np.abs(frames).max(axis=1)
    is_open = np.convolve(peak > 0.1 * np.quantile(peak, 0.99), np.ones(20))[: peak.size] > 0
    return np.asarray((frames * np.where(is_open, 1, 0.01)[:, None]).ravel())


def suppression(sound: FloatArray) -> FloatArray:
    _, _, spectrum = stft(sound, RATE, nperseg=1024)
    power = np.abs(spectrum) ** 2
    noise = 1.8 * np.quantile(power, 0.3, axis=1, keepdims=True)
    gain = np.sqrt(np.maximum(1 - 2 * noise / np.maximum(power, 1e-20), 0.01))
    return np.asarray(istft(spectrum * gain, RATE, nperseg=1024)[1])


def call(sound: FloatArray) -> FloatArray:
    narrow = sosfilt(butter(4, [300, 3400], "bandpass", fs=RATE, output="sos"), sound)
    at_8k = resample_poly(narrow, 1, 6) / np.abs(narrow).max()
    mu = np.round(np.sign(at_8k) * np.log1p(255 * np.abs(at_8k)) / np.log(256) * 127) / 127
    return np.asarray(resample_poly(np.sign(mu) * np.expm1(np.abs(mu) * np.log(256)) / 255, 6, 1))


def clipping(sound: FloatArray) -> FloatArray:
    return np.asarray(np.clip(4 * sound / np.abs(sound).max(), -1, 1))


CHAINS: dict[str, Callable[[FloatArray], FloatArray]] = {
    "clean": lambda sound: sound,
    "gain": lambda sound: automatic_gain(sound, RATE),
    "gate": gate,
    "suppression": suppression,
    "call": call,
    "clipping": clipping,
}


def visits() -> Iterator[tuple[str, list[FloatArray]]]:
    """Named visits, each with the sounds of its recordings."""
    for path in sorted(REAL.glob("tap_trains/*.flac")):
        yield path.stem, [load(path)]
    for path in sorted(DEMO.glob("*/truth.json")):
        if "noisy" not in path.parent.name:
            yield path.parent.name, [load(file) for file in sorted((path.parent / "sound").glob("*.*"))]


def remarked(sounds: Sequence[FloatArray], chain: Callable[[FloatArray], FloatArray]) -> list[str]:
    traces, refused = [], 0
    with tempfile.TemporaryDirectory() as folder:
        for number, sound in enumerate(sounds):
            path = Path(folder) / f"{number}.wav"
            write_recording(path, chain(0.5 * sound / np.abs(sound).max()), RATE)
            recording = open_recording(path)
            train = detect_taps(recording.blocks(), RATE)
            refused += sum(tap.why_not == WhyNot.CLIPPED for tap in train.taps)
            traces.append(traces_of(recording, train))
    said = [str(getattr(one, "key", one)) for one in processing_signs(traces)]
    return said + ["clipped"] * (refused >= 2)


def main() -> None:
    got: Counter[str] = Counter()
    number = 0
    for name, sounds in visits():
        number += 1
        for kind, chain in CHAINS.items():
            said = remarked(sounds, chain)
            got[kind] += bool(said)
            print(f"  {name} {kind}: {', '.join(said) or 'nothing'}")
    for kind in CHAINS:
        print(f"{kind}: {got[kind]} of {number} remarked")


if __name__ == "__main__":
    main()
