"""Read what telephones write: M4A and AAC, 3GP and AMR, WebM and Opus, by the library PyAV where it is installed.

Conventions: samples (N, C) of all channels, float32 at full scale 1, in blocks in order of time.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from taptest.errors import RecordingError

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

ENDINGS = (".m4a", ".mp4", ".aac", ".3gp", ".amr", ".webm")
INSTALL = 'pip install "taptest[telephone]"'


@dataclass(frozen=True, slots=True)
class Decoded:
    """The first sound track of a file, block by block."""

    rate_hz: int
    channels: int
    blocks: "Iterator[NDArray[np.float32]]"


def is_telephone_sound(path: Path) -> bool:
    """Whether a file begins like one of the kinds that only this module reads."""
    with path.open("rb") as file:
        head = file.read(12)
    mp4 = head[4:8] == b"ftyp"
    return mp4 or head[:4] == b"\x1aE\xdf\xa3" or head[:5] == b"#!AMR" or head[:2] in (b"\xff\xf1", b"\xff\xf9")


def decode(path: Path) -> Decoded:
    """Open a file for decoding.

    Raises RecordingError where the library is missing, or the file is damaged or holds no sound; damage that shows only
    while the blocks are read is raised there.
    """
    try:
        import av
    except ImportError as error:
        raise RecordingError(
            f"The audio file {path} is of a kind that telephones write (M4A, AAC, 3GP, AMR, WebM), which needs one "
            f"more library. Install it with {INSTALL}, or let the telephone record as WAV."
        ) from error
    try:
        container = av.open(str(path))
        stream = next(iter(container.streams.audio), None)
    except av.FFmpegError as error:
        raise _damaged(path, error) from error
    if stream is None:
        container.close()
        raise RecordingError(f"The file {path} has no audio. Is it a video without a sound track?")

    def blocks() -> "Iterator[NDArray[np.float32]]":
        import numpy as np  # not at the top: the desk's first page asks this module for its endings only

        resampler = av.AudioResampler(format="flt", layout=stream.codec_context.layout, rate=stream.rate)
        try:
            with container:
                for frame in container.decode(stream):
                    for part in resampler.resample(frame):
                        yield np.reshape(part.to_ndarray(), (-1, stream.codec_context.channels))
        except av.FFmpegError as error:
            raise _damaged(path, error) from error

    return Decoded(int(stream.rate), int(stream.codec_context.channels), blocks())


def _damaged(path: Path, error: Exception) -> RecordingError:
    return RecordingError(
        f"The audio file {path} is damaged or of an unknown kind ({error}); copy it again, or record again as WAV."
    )
