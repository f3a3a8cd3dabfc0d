"""What the commands share: a progress bar on standard error, counts and days, JSON, pictures and other files."""

import argparse
import json
import sys
from collections.abc import Mapping
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any, TextIO

if TYPE_CHECKING:
    from taptest.report.figures import Picture
    from taptest.visit.workers import Where

WIDTH = 30


class Bar:
    """A progress bar on standard error, drawn only where someone watches: not into files and pipes."""

    def __init__(self, what: str, stream: TextIO | None = None) -> None:
        self._what = what
        self._stream = stream or sys.stderr
        self._watched = self._stream.isatty()
        self._shown = ""

    def __call__(self, share: float) -> None:
        """Show that `share` (0..1) of the work is done; at 1 the bar is wiped away."""
        done = round(WIDTH * min(max(share, 0.0), 1.0))
        text = f"{self._what} [{'#' * done}{'.' * (WIDTH - done)}] {100 * share:3.0f} %"
        if not self._watched or text == self._shown:
            return
        wipe = "\r" + " " * len(text) + "\r"
        self._stream.write(wipe if share >= 1.0 else f"\r{text}")
        self._stream.flush()
        self._shown = text


def model_bar() -> Bar:
    """Return the bar that is shown while the model of one tank is computed."""
    return Bar("computing the model of this tank")


def counted(count: int, what: str) -> str:
    """Count in words that fit: "1 point", "3 points"."""
    return f"{count} {what}{'' if count == 1 else 's'}"


def add_where(parser: argparse.ArgumentParser) -> None:
    """Add the arguments that say where many visits are worked on."""
    place = parser.add_mutually_exclusive_group()
    place.add_argument("--workers", type=int, metavar="N", help="processes at once; one a core where left out")
    place.add_argument(
        "--cluster", metavar="ADDRESS", help='a Dask scheduler instead, like tcp://10.0.0.5:8786 (extra "cluster")'
    )


def where_of(arguments: argparse.Namespace) -> "Where":
    """Return where many visits are worked on. Raises `VisitError` for fewer than one process."""
    from taptest.errors import VisitError
    from taptest.visit.workers import Where

    if arguments.workers is not None and arguments.workers < 1:
        raise VisitError(f"--workers {arguments.workers}: give 1 or more, or leave it out for one a core.")
    return Where(arguments.workers, arguments.cluster)


def day(text: str) -> date:
    """Read a day that was typed as an argument."""
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is not a date; use YYYY-MM-DD, such as 2025-03-14") from None


def write_json(content: dict[str, Any], target: str) -> None:
    """Write JSON to the file `target`, or to standard output for "-". Raises `StorageError`."""
    write_out(json.dumps(content, indent=2, ensure_ascii=False, allow_nan=False) + "\n", target)


def write_out(text: str, target: str) -> None:
    """Write a text to the file `target`, or to standard output for "-". Raises `StorageError`."""
    from taptest.disk import plain, write_text

    if target == "-":
        # Other programs read this: it is UTF-8 whatever the console can show.
        raw = getattr(sys.stdout, "buffer", None)
        if raw is None:
            sys.stdout.write(text)
        else:
            sys.stdout.flush()
            raw.write(plain(text).encode("utf-8"))
            raw.flush()
        return
    write_text(Path(target), text)


def write_picture(picture: "Picture", folder: Path, stem: str) -> tuple[Path, Path]:
    """Write a picture as PNG and SVG into a folder, made if need be, and return their paths. Raises `StorageError`."""
    from taptest.disk import make_folder, write_bytes

    make_folder(folder)
    paths = folder / f"{stem}.png", folder / f"{stem}.svg"
    write_bytes(paths[0], picture.png)
    write_bytes(paths[1], picture.svg)
    return paths


def write_files(contents: Mapping[str, bytes], folder: Path, stem: str) -> tuple[Path, ...]:
    """Write files named `stem-NAME` into a folder, made if need be, and return their paths. Raises `StorageError`."""
    from taptest.disk import make_folder, write_bytes

    make_folder(folder)
    paths = tuple(folder / f"{stem}-{name}" for name in contents)
    for path, content in zip(paths, contents.values(), strict=True):
        write_bytes(path, content)
    return paths
