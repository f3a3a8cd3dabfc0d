"""What is shown and heard of a single tap: a short stretch of its sound, its spectrum and how it dies away.

Drawn by the page itself as lines in a box `WIDTH` by `HEIGHT`; no picture is made for it, so that it follows the
page's colours. Times are seconds from the tap's onset, levels decibels.
"""

import io
import math
import wave
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy as np
    from numpy.typing import NDArray

    from taptest.sound.recording import Recording
    from taptest.visit.result import TapResult, VisitResult

WIDTH, HEIGHT = 320, 120
BEFORE_S, AFTER_S = 0.10, 0.60
"""Stretch that is played."""
SHOWN_S = 0.25
"""Stretch in which the dying away is shown."""
STEP_S = 0.0025
SPECTRUM_RANGE_DB = 60.0
DECAY_RANGE_DB = 50.0
PEAK = 0.7
"""Loudest sample of what is played: a soft tap can be heard too; its level is told as a number."""
TICKS_HZ = (250, 500, 1000, 2000, 4000)


@dataclass(frozen=True, slots=True)
class Drawn:
    """Lines of one tap: SVG point lists."""

    spectrum: str
    decay: str
    ring_s: float
    """Time in which the sound falls by 60 dB; NaN where it does not fall that far."""
    centroid_hz: float


def snippet(path: Path, onset_s: float) -> "tuple[NDArray[np.float64], int]":
    """Return the sound (N,) around a tap and its rate. Raises `RecordingError`."""
    import numpy as np

    from taptest.sound.recording import open_recording

    recording = open_recording(path)
    rate = round(recording.rate_hz)
    start = round((onset_s - BEFORE_S) * rate)
    return recording.stretches([start], round((BEFORE_S + AFTER_S) * rate))[0].astype(np.float64), rate


def snippet_wav(path: Path, onset_s: float) -> bytes:
    """Return the sound around a tap as a WAV file. Raises `RecordingError`."""
    return wav_of(*snippet(path, onset_s))


def wav_of(sound: "NDArray[np.float64]", rate: int) -> bytes:
    """Return a sound (N,) as a WAV file, raised to an even loudness."""
    import numpy as np

    loudest = float(np.abs(sound).max(initial=0.0))
    if loudest > 0:
        sound = sound * (PEAK / loudest)
    content = io.BytesIO()
    with wave.open(content, "wb") as out:
        out.setnchannels(1)
        out.setsampwidth(2)
        out.setframerate(rate)
        out.writeframes((sound * 32767).astype("<i2").tobytes())
    return content.getvalue()


def draw_taps(path: Path, taps: "Sequence[TapResult]") -> list[Drawn]:
    """Draw taps of one recording. Raises `RecordingError`."""
    import numpy as np

    from taptest.sound.recording import open_recording
    from taptest.sound.spectra import WINDOW_S
    from taptest.sound.traits import LEAD_S, decay_time_s, many_tap_traits

    if not taps:
        return []
    recording: Recording = open_recording(path)
    rate = recording.rate_hz
    starts = [round((tap.tap.onset_s - LEAD_S) * rate) for tap in taps]
    rings = recording.stretches(starts, round((LEAD_S + WINDOW_S) * rate))
    traits = many_tap_traits(rings, rate)
    long = recording.stretches([round(tap.tap.onset_s * rate) for tap in taps], round(SHOWN_S * rate))
    drawn = []
    for trait, sound in zip(traits, np.asarray(long, np.float64), strict=True):
        drawn.append(
            Drawn(
                spectrum_line(trait.spectrum_db),
                decay_line(sound, rate),
                decay_time_s(sound, rate) if np.any(sound) else math.nan,
                trait.centroid_hz,
            )
        )
    return drawn


def line_spectrum(result: "VisitResult", depth_m: float) -> str:
    """Draw the point's mean spectrum over its used taps, "" where it has none."""
    import numpy as np

    profile = result.profile
    if profile is None or not profile.depth_m.size:
        return ""
    nearest = int(np.argmin(np.abs(profile.depth_m - depth_m)))
    if abs(profile.depth_m[nearest] - depth_m) > 1e-6:
        return ""
    return spectrum_line(profile.spectrum_db[nearest])


def spectrum_line(spectrum_db: "NDArray[np.float64]") -> str:
    """Draw a spectrum (F,) over the fine grid's logarithmic frequencies, from its highest value down."""
    import numpy as np

    level = np.nan_to_num(spectrum_db - np.nanmax(spectrum_db), nan=-SPECTRUM_RANGE_DB)
    x = np.linspace(0, WIDTH, len(level))
    return _points(x, np.clip(-level / SPECTRUM_RANGE_DB, 0, 1) * HEIGHT)


def decay_line(sound: "NDArray[np.float64]", rate_hz: float) -> str:
    """Draw the level of a sound (N,) in steps of 2.5 ms, from its highest value down."""
    import numpy as np

    step = max(round(STEP_S * rate_hz), 1)
    parts = sound[: len(sound) // step * step].reshape(-1, step)
    power = (parts**2).mean(axis=1)
    level = 10 * np.log10(np.maximum(power / max(float(power.max(initial=0.0)), 1e-30), 1e-9))
    x = np.linspace(0, WIDTH, len(level))
    return _points(x, np.clip(-level / DECAY_RANGE_DB, 0, 1) * HEIGHT)


def frequency_ticks() -> list[tuple[float, str]]:
    """Return where the spectrum's axis has its marks, and what stands there."""
    from taptest.sound.spectra import SPECTRUM_HZ

    low, high = math.log(float(SPECTRUM_HZ[0])), math.log(float(SPECTRUM_HZ[-1]))
    names = [f"{hz / 1000:g} kHz" if hz >= 1000 else f"{hz} Hz" for hz in TICKS_HZ]
    return [
        (round(WIDTH * (math.log(hz) - low) / (high - low), 1), name) for hz, name in zip(TICKS_HZ, names, strict=True)
    ]


def _points(x: "NDArray[np.float64]", y: "NDArray[np.float64]") -> str:
    return " ".join(f"{a:.1f},{b:.1f}" for a, b in zip(x.tolist(), y.tolist(), strict=True))
