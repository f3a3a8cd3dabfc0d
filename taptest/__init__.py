"""Tap a closed expansion tank, record it, and learn where the water ends and what follows from it.

`import taptest` offers what scripts and notebooks use; docs/tutorial.md shows it at work. The rooms, in reading order,
which is also the import order (a module imports only what stands before it):
errors, statements, quantities, disk, water, tank, sound, shell, line, finding, visit, simulate, words, capture, report,
api, desk, cli.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from taptest.api import JudgedVisit as JudgedVisit
    from taptest.api import Sound as Sound
    from taptest.api import describe as describe
    from taptest.api import hear as hear
    from taptest.api import judge_line as judge_line
    from taptest.api import judge_visit as judge_visit
    from taptest.api import level_model as level_model
    from taptest.api import open_visit as open_visit
    from taptest.api import points_of as points_of
    from taptest.errors import TaptestError as TaptestError
    from taptest.finding.judge import judge as judge
    from taptest.finding.records import Case as Case
    from taptest.finding.records import Judgement as Judgement
    from taptest.line.boundary import read_line as read_line
    from taptest.line.records import LineReading as LineReading
    from taptest.line.records import Point as Point
    from taptest.quantities import METRIC as METRIC
    from taptest.quantities import US as US
    from taptest.quantities import Units as Units
    from taptest.shell.records import LevelSweep as LevelSweep
    from taptest.sound.hearing import MeasuredTaps as MeasuredTaps
    from taptest.sound.records import Tap as Tap
    from taptest.sound.records import TapTraits as TapTraits
    from taptest.tank.kinds import Tank as Tank
    from taptest.tank.shape import Shape as Shape
    from taptest.visit.files import Visit as Visit
    from taptest.visit.meaning import Meaning as Meaning
    from taptest.visit.result import as_json as as_json

__version__ = "0.2.0"

_HOMES = {
    "api": "JudgedVisit Sound describe hear judge_line judge_visit level_model open_visit points_of",
    "errors": "TaptestError",
    "finding.judge": "judge",
    "finding.records": "Case Judgement",
    "line.boundary": "read_line",
    "line.records": "LineReading Point",
    "quantities": "METRIC US Units",
    "shell.records": "LevelSweep",
    "sound.hearing": "MeasuredTaps",
    "sound.records": "Tap TapTraits",
    "tank.kinds": "Tank",
    "tank.shape": "Shape",
    "visit.files": "Visit",
    "visit.meaning": "Meaning",
    "visit.result": "as_json",
}
"""Module -> the public names that live in it; loaded on first use, so that the command line starts at once."""
_HOME_OF = {name: home for home, names in _HOMES.items() for name in names.split()}
__all__ = sorted(_HOME_OF)  # noqa: PLE0605

if not TYPE_CHECKING:  # type checkers shall refuse a name that is not there

    def __getattr__(name: str) -> Any:
        """Load a public name from its home."""
        if name in _HOME_OF:
            return getattr(import_module(f"taptest.{_HOME_OF[name]}"), name)
        raise AttributeError(f"module 'taptest' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted([*globals(), *__all__])
