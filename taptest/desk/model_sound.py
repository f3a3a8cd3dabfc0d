"""A tap as it would ring with water or with air behind its mark, by the model of the tank: to be compared by ear.

The recorded tap is filtered, band by band, by what the model says changes at this mark between the state that the
line was read as and the wanted one. So room, microphone and striker stay those of the visit, and only the tank differs.
"""

from collections.abc import Sequence
from typing import TYPE_CHECKING, Literal

from taptest.desk.sounds import snippet, wav_of

if TYPE_CHECKING:
    from pathlib import Path

    import numpy as np
    from numpy.typing import NDArray

    from taptest.line.records import LineReading
    from taptest.shell.records import LevelSweep

    FloatArray = NDArray[np.float64]

Backing = Literal["water", "air"]
MOST_DB = 18.0
"""No band is raised or lowered by more: what was not recorded cannot be raised out of the noise."""


def modelled_wav(
    path: "Path",
    onset_s: float,
    depth_m: float,
    reading: "LineReading",
    sweeps: "Sequence[LevelSweep]",
    wanted: Backing,
) -> bytes:
    """Return a tap as the first of the tank's models lets it ring, as a WAV file. Raises `RecordingError`."""
    import numpy as np

    sound, rate = snippet(path, onset_s)
    sweep = sweeps[0]
    gain_db = np.clip(_levels(sweep, depth_m, wanted) - _as_read(sweep, depth_m, reading), -MOST_DB, MOST_DB)
    frequency = np.fft.rfftfreq(len(sound), 1 / rate)
    course = np.interp(np.log(np.maximum(frequency, 1.0)), np.log(sweep.band_hz), gain_db)
    return wav_of(np.fft.irfft(np.fft.rfft(sound) * 10 ** (course / 20), len(sound)), rate)


def _levels(sweep: "LevelSweep", depth_m: float, wanted: Backing) -> "FloatArray":
    """(B,) levels at a mark with only water, or only air, in the tank."""
    return _at(sweep, sweep.level_db[-1 if wanted == "water" else 0], depth_m)


def _as_read(sweep: "LevelSweep", depth_m: float, reading: "LineReading") -> "FloatArray":
    """(B,) levels at a mark in the state that the line was read as; half of either where it was read as none."""
    import numpy as np

    if reading.state == "found" and reading.depth_m is not None:
        nearest = int(np.nanargmin(np.abs(sweep.level_depth_m - reading.depth_m)))
        return _at(sweep, sweep.level_db[nearest], depth_m)
    air, water = (_levels(sweep, depth_m, backing) for backing in ("air", "water"))
    share = {"all air": 0.0, "all water": 1.0}.get(reading.state, 0.5)
    return np.asarray((1 - share) * air + share * water)


def _at(sweep: "LevelSweep", level_db: "FloatArray", depth_m: float) -> "FloatArray":
    """(B,) levels (P, B) at the model's position nearest to a mark."""
    import numpy as np

    return np.asarray(level_db[int(np.argmin(np.abs(sweep.depth_m - depth_m)))])
