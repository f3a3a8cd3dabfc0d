"""Open, read and write recordings: the one place that touches audio files; an array can be taken as one, too.

Goal: samples of one channel, in blocks or stretches, from any file a technician's recorder makes, with everything odd
about the file either said in a note or refused in a sentence.

Conventions: samples float32 at full scale 1, shape (N,); times in seconds from the start; blocks are read one after the
other, so that an hour needs no more memory than a minute.
"""

import io
import os
import struct
from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from taptest.errors import RecordingError, StorageError
from taptest.sound.remarks import RecordingRemark
from taptest.sound.telephone import decode, is_telephone_sound
from taptest.statements import Said, Statement, Value

Samples = NDArray[np.float32]

LEAST_RATE_HZ = 8_000
MOST_RATE_HZ = 192_000
LEAST_DURATION_S = 0.05
BLOCK = 1 << 18
"""Samples read at once."""
KEEP_SAMPLES = 1 << 22
"""Recordings up to this length (87 s at 48 kHz, 16 MB) are kept in memory once read."""
SILENT = 1e-4
"""Difference of highest and lowest sample below which a recording is silent: three steps of 16 bits."""
FULL_SCALE = 0.99
MOST_FLOAT = 16.0
"""Samples beyond this are whole numbers that nobody divided by their full scale."""
CLIPPED_SHARE = 0.05
"""Share of samples at full scale above which a recording is clipped all through."""


class Recording:
    """One audio file, opened for reading, or an array; make it with `open_recording` or `recording_of`.

    `notes` holds whole sentences about the channel used and about damage.
    """

    def __init__(
        self,
        path: Path,
        *,
        rate_hz: int,
        channels: int,
        frames: int,
        notes: Sequence[Said],
        decoded: io.BytesIO | None = None,
        samples: Samples | None = None,
    ) -> None:
        self.path = path
        self.rate_hz = rate_hz
        self.channels = channels
        self.frames = frames
        self.notes: tuple[Said, ...] = tuple(notes)
        self.channel = 0
        self.decoded = decoded
        """The sound decoded, where the file itself cannot be read piece by piece; None where it can."""
        self._samples = samples
        self._kept: Samples | None = None

    @property
    def duration_s(self) -> float:
        """Length by the header; `blocks` gives what is really there."""
        return self.frames / self.rate_hz

    def blocks(self) -> Iterator[Samples]:
        """Yield the chosen channel in blocks (N,), each at most `BLOCK` long.

        Raises RecordingError at the first sample that is not a number, and at the end for a recording that is silent or
        clipped all through.
        """
        if self._kept is not None:
            for start in range(0, self._kept.size, BLOCK):
                yield self._kept[start : start + BLOCK]
            return
        keep: list[Samples] | None = [] if self.frames <= KEEP_SAMPLES else None
        read, full, low, high = 0, 0, np.inf, -np.inf
        for frames in self._frames():
            block = np.ascontiguousarray(frames[:, self.channel])
            self._refuse_non_numbers(block, read)
            read += block.size
            low, high = min(low, float(block.min())), max(high, float(block.max()))
            if high >= FULL_SCALE or low <= -FULL_SCALE:
                full += int(np.count_nonzero(np.abs(block) >= FULL_SCALE))
            if keep is not None:
                keep.append(block)
            yield block
        self._judge_levels(read, full, high - low)
        if keep is not None:
            self._kept = np.concatenate(keep)

    def read(self) -> Samples:
        """All samples (N,) of the chosen channel; for recordings known to be short."""
        parts = list(self.blocks())
        return self._kept if self._kept is not None else np.concatenate(parts)

    def let_go(self) -> None:
        """Give back the memory of what was read; it is read from the file again where it is wanted."""
        self._kept = None

    def stretches(self, starts: Sequence[int], length: int) -> NDArray[np.float32]:
        """Stretches (S, length) that begin at the samples `starts`; zeros before the start and after the end."""
        out = np.zeros((len(starts), length), np.float32)
        if self._samples is not None or self.frames <= KEEP_SAMPLES:
            whole = self.read() if self._samples is None else self._samples
            for row, start in zip(out, starts, strict=True):
                part = whole[max(start, 0) : max(start + length, 0)]
                row[max(-start, 0) : max(-start, 0) + part.size] = part
            return out
        import soundfile

        with _opened(self.path, self.decoded) as sound:
            for row, start in zip(out, starts, strict=True):
                if start >= self.frames:
                    continue
                try:
                    sound.seek(max(start, 0))
                    part = sound.read(length - max(-start, 0), dtype="float32", always_2d=True)[:, self.channel]
                except soundfile.LibsndfileError:
                    continue
                row[max(-start, 0) : max(-start, 0) + part.size] = part
        return out

    def _frames(self) -> Iterator[Samples]:
        """All channels in blocks (N, C); stops with a note where the file is damaged."""
        if self._samples is not None:
            yield from (self._samples[at : at + BLOCK, None] for at in range(0, self.frames, BLOCK))
            return
        import soundfile

        read = 0
        length = max(BLOCK // self.channels, 1)
        with _opened(self.path, self.decoded) as sound:
            while read < self.frames:
                frames = np.full((min(length, self.frames - read), self.channels), np.inf, np.float32)
                try:
                    got = len(sound.read(out=frames))
                except soundfile.LibsndfileError:
                    # What was decoded before the damage is in the buffer; the rest still holds its first values.
                    untouched = np.flatnonzero(np.isinf(frames[:, -1]))
                    got = int(untouched[0]) if untouched.size else 0
                if got:
                    yield frames[:got]
                read += got
                if got < len(frames):
                    self._note_end(read)
                    return

    def _note_end(self, read: int) -> None:
        if read / self.rate_hz < LEAST_DURATION_S:
            raise RecordingError(
                f"The audio file {self.path} is damaged from the start, and nothing in it can be read. "
                "Record again, or copy it again from the recorder."
            )
        note = Statement(
            RecordingRemark.ENDS_EARLY,
            {"name": self.path.name, "promised_s": self.duration_s, "read_s": read / self.rate_hz},
        )
        if note not in self.notes:
            self.notes = (*self.notes, note)

    def _refuse_non_numbers(self, block: Samples, before: int) -> None:
        if np.isfinite(block).all():
            return
        at_s = (before + int(np.flatnonzero(~np.isfinite(block))[0])) / self.rate_hz
        raise RecordingError(
            f"The audio file {self.path} contains samples that are not numbers, the first at {at_s:.3f} s: it was "
            "damaged, or written by a faulty program. Export it again as 16-bit WAV, or record again."
        )

    def _judge_levels(self, read: int, full: int, span: float) -> None:
        if read and span < SILENT:
            raise RecordingError(
                f"The audio file {self.path} is silent. Was the microphone muted, or the wrong input selected? "
                "Record again."
            )
        if full > CLIPPED_SHARE * read:
            raise RecordingError(
                f"The audio file {self.path} is clipped from start to end ({100 * full / read:.0f} % of samples are "
                "at full scale). Lower the input level until the loudest tap stays 12 dB below full scale, then record "
                "again."
            )


def open_recording(path: str | Path) -> Recording:
    """Open a audio file (WAV, FLAC, OGG, MP3, AIFF, what telephones write) of 8 to 192 kHz with any channels.

    With several channels the loudest one that is not clipped is used, and a note says so. Raises RecordingError for a
    file that is not audio or too short, StorageError where the disk refuses.
    """
    place = Path(path)
    _refuse_missing(place)
    notes = wav_notes(place)
    decoded = _unpacked(place) if is_telephone_sound(place) else None
    with _opened(place, decoded) as sound:
        rate_hz, channels, frames = int(sound.samplerate), int(sound.channels), int(sound.frames)
    _refuse_rate_and_length(f"The audio file {place}", rate_hz, frames)
    recording = Recording(place, rate_hz=rate_hz, channels=channels, frames=frames, notes=notes, decoded=decoded)
    if channels > 1:
        _choose_channel(recording)
    return recording


def recording_of(samples: NDArray[np.floating], rate_hz: int, name: str = "array") -> Recording:
    """Take samples (N,) at full scale 1 as a recording; `name` is what sentences call it.

    Raises RecordingError for what cannot be one channel of sound.
    """
    sound = np.ascontiguousarray(samples, dtype=np.float32)
    if sound.ndim != 1:
        raise RecordingError(f"The samples of {name} have the shape {sound.shape}; give one channel, shape (N,).")
    if sound.size and np.abs(sound).max() > MOST_FLOAT:
        raise RecordingError(
            f"The samples of {name} reach {np.abs(sound).max():g}; full scale is 1: divide whole numbers by 32768."
        )
    _refuse_rate_and_length(f"The array {name}", rate_hz, sound.size)
    return Recording(Path(name), rate_hz=rate_hz, channels=1, frames=sound.size, notes=(), samples=sound)


def _refuse_rate_and_length(named: str, rate_hz: int, frames: int) -> None:
    if not LEAST_RATE_HZ <= rate_hz <= MOST_RATE_HZ:
        raise RecordingError(
            f"{named} has {rate_hz} samples a second, but only {LEAST_RATE_HZ} to {MOST_RATE_HZ} "
            "can be used. Record again at 44100 or 48000."
        )
    if frames < LEAST_DURATION_S * rate_hz:
        raise RecordingError(
            f"{named} has only {frames} sample{'' if frames == 1 else 's'} ({frames / rate_hz:.5f} s), "
            f"and no tap fits into less than {LEAST_DURATION_S} s. Record again."
        )


def _refuse_missing(path: Path) -> None:
    try:
        size = path.stat().st_size
    except FileNotFoundError:
        raise RecordingError(f"Audio file not found: {path}. Check the name and the folder.") from None
    except OSError as error:
        raise StorageError(
            f"The audio file {path} cannot be read ({error.strerror}). Check its permissions."
        ) from error
    if path.is_dir():
        raise RecordingError(f"{path} is a folder, not an audio file. Name the file in it.")
    if size == 0:
        raise RecordingError(f"The audio file {path} is empty (0 bytes). Record again, or copy it again.")


def _unpacked(path: Path) -> io.BytesIO:
    """Decode a file once and keep it in memory, packed without loss: two to five megabytes a minute."""
    import soundfile

    decoded = decode(path)
    packed = io.BytesIO()
    with soundfile.SoundFile(packed, "w", decoded.rate_hz, decoded.channels, "PCM_16", format="FLAC") as sound:
        for block in decoded.blocks:
            sound.write(block)
    return packed


def _opened(path: Path, decoded: io.BytesIO | None = None):  # type: ignore[no-untyped-def]  # soundfile has no types
    """Open the file, or what was decoded of it, with soundfile; refusals become RecordingError or StorageError."""
    import soundfile

    try:
        if decoded is None:
            # A name need not be text everywhere; there the library wants its bytes.
            return soundfile.SoundFile(path if os.name == "nt" else os.fsencode(path))
        decoded.seek(0)
        return soundfile.SoundFile(decoded)
    except soundfile.LibsndfileError as error:
        try:
            with path.open("rb") as raw:
                raw.read(1)
        except OSError as refused:
            raise StorageError(
                f"The audio file {path} cannot be read ({refused.strerror}). Check its permissions."
            ) from error
        raise RecordingError(
            f"{path} is not an audio file, or not of a readable kind ({str(error.error_string).rstrip('.')}). "
            "Use WAV, FLAC, OGG, MP3, AIFF or M4A; convert other files first."
        ) from error


def _choose_channel(recording: Recording) -> None:
    """Pick the channel with the most sound above hum among those least clipped, and note it."""
    power = np.zeros(recording.channels)
    full = np.zeros(recording.channels)
    for frames in recording._frames():
        finite = np.nan_to_num(frames)
        power += np.einsum("ij,ij->j", np.diff(finite, axis=0), np.diff(finite, axis=0))
        full += np.count_nonzero(np.abs(finite) >= FULL_SCALE, axis=0)
    fit = full <= full.min() + 2
    recording.channel = int(np.argmax(np.where(fit, power, -1.0)))
    key = RecordingRemark.LOUDEST_CHANNEL if fit.all() else RecordingRemark.UNCLIPPED_CHANNEL
    values: dict[str, Value] = {
        "name": recording.path.name,
        "channels": recording.channels,
        "channel": recording.channel + 1,
    }
    recording.notes = (*recording.notes, Statement(key, values))


def _wav_data(path: Path) -> tuple[int, int, int] | None:
    """(offset of the data, its size by the header, bytes really there) of a WAV file; None for other files."""
    size = path.stat().st_size
    with path.open("rb") as file:
        head = file.read(12)
        if len(head) < 12 or head[:4] != b"RIFF" or head[8:] != b"WAVE":
            return None
        while len(chunk := file.read(8)) == 8:
            name, length = struct.unpack("<4sI", chunk)
            if name == b"data":
                return file.tell(), length, size - file.tell()
            file.seek(length + length % 2, os.SEEK_CUR)
    return None


def wav_notes(path: Path) -> tuple[Statement, ...]:
    """Say what the header of a WAV file tells about how its recording ended."""
    data = _wav_data(path)
    if data is None:
        return ()
    _, promised, there = data
    if promised in (0, 0xFFFFFFFF) and there > 0:
        return (Statement(RecordingRemark.NOT_CLOSED, {"name": path.name}),)
    if there < promised:
        values: dict[str, Value] = {"name": path.name, "there": there, "promised": promised}
        return (Statement(RecordingRemark.BYTES_MISSING, values),)
    return ()


def write_recording(path: str | Path, samples: NDArray[np.floating], rate_hz: int) -> None:
    """Write samples (N,) or (N, C) as 16-bit FLAC or WAV, by the name's ending, whole or not at all.

    Samples beyond full scale are clipped. Raises StorageError where the disk refuses, RecordingError for other endings.
    """
    import soundfile

    place = Path(path)
    kind = {".wav": "WAV", ".flac": "FLAC"}.get(place.suffix.lower())
    if kind is None:
        raise RecordingError(f"A recording cannot be written as {place.name!r}. Use a name ending in .wav or .flac.")
    if not np.isfinite(samples).all():
        raise RecordingError(f"The samples for {place.name} are not all numbers; nothing was written.")
    memory = io.BytesIO()
    soundfile.write(memory, np.clip(samples, -1.0, 1.0), rate_hz, format=kind, subtype="PCM_16")
    unfinished = place.with_name(place.name + ".part")
    try:
        with unfinished.open("wb") as file:
            file.write(memory.getbuffer())
            file.flush()
            os.fsync(file.fileno())
        unfinished.replace(place)
    except OSError as error:
        raise StorageError(
            f"The recording {place} cannot be written ({error.strerror}). Check free space and permissions."
        ) from error
