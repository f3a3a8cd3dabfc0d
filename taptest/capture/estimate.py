"""What the taps say so far, during the round: the running boundary, and where one more point would tell most.

The pure part is `advise`: points in, advice out. `Estimator` runs it in a thread of its own, so that a second of
computing never holds up the next tap; of several questions only the newest is answered. Depths are metres below the top
of the shell.
"""

import contextlib
import queue
import threading
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from taptest.capture.remarks import Estimate
from taptest.capture.round import Advice, Stop
from taptest.errors import TaptestError
from taptest.line.boundary import read_line
from taptest.line.next_point import LEAST_BITS, free_places_m, next_point, settled, taps_worthwhile
from taptest.line.points import profile_of
from taptest.line.quality import striker_caution
from taptest.line.records import LineReading, Point
from taptest.line.two_places import MARKS, two_places
from taptest.quantities import METRIC, Units
from taptest.shell.records import LevelSweep
from taptest.sound.traits import LEAD_S, NoiseProfile, many_tap_traits
from taptest.statements import Said, Statement
from taptest.tank.kinds import Tank

FloatArray = NDArray[np.float64]

COMPUTING = "computing the model"
"""Name of the threads that do."""
Model = Callable[[], Iterable[Sequence[LevelSweep]]]
"""Gives the level sweeps of a tank, one after the other ever sharper."""
STEADY = 2
"""At least this many earlier estimates must agree with the latest one before the round may end: each has a point less,
and a narrow interval that has just jumped is no finding yet."""


@dataclass(frozen=True, slots=True, eq=False)
class HeardStop:
    """A finished stop and the sound of its taps."""

    stop: Stop
    windows: tuple[FloatArray, ...]
    """Each (N,), from `taptest.sound.traits.LEAD_S` before the onset to the end of the ring window."""
    rate_hz: float
    noise: NoiseProfile
    refused: int = 0

    def point(self) -> Point:
        """Return the point with the traits of its taps."""
        shortest = min(len(window) for window in self.windows)
        stack = np.array([window[:shortest] for window in self.windows])
        traits = many_tap_traits(stack, self.rate_hz, self.noise, lead_s=LEAD_S)
        return Point(self.stop.depth_m, traits, len(traits), self.refused)


def advise(
    points: Sequence[Point],
    reference: Sequence[Point],
    tank: Tank,
    sweeps: Sequence[LevelSweep],
    results: int,
    before: Sequence[Advice] = (),
    units: Units = METRIC,
) -> Advice:
    """Say where the boundary seems to lie, where to tap next, and whether that is still worth it.

    `reference` are the taps of the reference point, one entry for each time; `results` is how many results all this
    rests on; `before` is the advice given on fewer results, the newest last. More taps are not worth it where
    something was found, the estimate is steady, and it is settled or no place would tell anything. Where nothing was
    found and no place tells anything by the model, none is named: marks that were left out are all that may still tell.
    """
    try:
        reading = read_line(points, tank, sweeps, reference=reference)
    except TaptestError as error:
        return Advice(results, str(error))
    tapped = np.array([point.depth_m for point in points])
    said = Advice(
        results,
        estimate_of(reading),
        state=reading.state,
        depth_m=reading.depth_m,
        change_m=reading.interval90_m if reading.state == "found" else None,
    )
    steady = said.state != "not found" and _steady(said, [advice for advice in before if advice.results < results])
    candidates = free_places_m(tapped, tank, units)
    if not len(candidates):
        return replace(said, enough=steady)
    profile = profile_of(points)
    best = next_point(reading.posterior, profile, candidates, sweeps)
    telling = best.information_bits >= LEAST_BITS
    return replace(
        said,
        next_depth_m=best.depth_m if telling or said.state != "not found" else None,
        taps=taps_worthwhile(profile),
        enough=steady and (settled(reading) or not telling),
    )


def estimate_of(reading: LineReading) -> Statement:
    """Say the running estimate."""
    posterior = reading.posterior
    if reading.state == "found" and reading.depth_m is not None and reading.interval90_m is not None:
        low, high = reading.interval90_m
        return Statement(Estimate.CHANGE, {"place_m": reading.depth_m, "low_m": low, "high_m": high})
    if reading.state == "all air":
        return Statement(Estimate.ALL_AIR, {"air_share": posterior.p_all_air})
    if reading.state == "all water":
        return Statement(Estimate.ALL_WATER, {"water_share": posterior.p_all_water})
    return Statement(Estimate.UNKNOWN)


def caution_of(points: Sequence[Point]) -> Said:
    """Say what to mind of the taps while there is time to mend it, "" for nothing."""
    said = striker_caution(profile_of(points))
    return said[0] if said else ""


def _steady(now: Advice, before: Sequence[Advice]) -> bool:
    """Whether the last estimates name the same state and, where it is a boundary, a place within today's interval."""
    last = before[-STEADY:]
    low, high = now.change_m or (-np.inf, np.inf)
    same = [one.state == now.state and (one.depth_m is None or low <= one.depth_m <= high) for one in last]
    return len(same) == STEADY and all(same)


def ahead(sweeps: Model) -> None:
    """Compute a tank's model while it is tapped, for the finding to come; what goes wrong is told with the finding."""

    def compute() -> None:
        with contextlib.suppress(TaptestError):
            for _ in sweeps():
                pass

    in_background(compute)


def in_background(work: Callable[[], None]) -> None:
    """Start computing a model in a thread by which `computing` knows it."""
    threading.Thread(target=work, daemon=True, name=COMPUTING).start()


def computing() -> bool:
    """Whether the model of a tank is still being computed for a round, perhaps for one that is over."""
    return any(thread.name == COMPUTING for thread in threading.enumerate())


class Estimator:
    """Answers in a thread of its own; `ask` and `answer` never wait."""

    def __init__(self, tank: Tank, sweeps: Model = tuple, units: Units = METRIC) -> None:
        """Take the tank, a function that gives its level sweeps, and the units to speak in.

        The function may take a minute and is called in a thread of its own. What it gives first, sharper sweeps
        replace; until then the line is read without any.
        """
        self._tank = tank
        self._units = units
        self._sweeps: Sequence[LevelSweep] = ()
        self._computing = True
        self._asked: tuple[tuple[HeardStop, ...], int] | None = None
        self._questions: queue.SimpleQueue[tuple[tuple[HeardStop, ...], int] | None] = queue.SimpleQueue()
        self._answers: queue.SimpleQueue[Advice] = queue.SimpleQueue()
        threading.Thread(target=self._work, daemon=True, name="estimating the boundary").start()
        in_background(partial(self._compute, sweeps))

    def ask(self, heard: Sequence[HeardStop], results: int) -> None:
        """Hand in everything heard so far; the advice will carry the number `results`."""
        self._asked = (tuple(heard), results)
        self._questions.put(self._asked)

    def answer(self) -> Advice | None:
        """Return an answer that is ready, or None."""
        try:
            return self._answers.get_nowait()
        except queue.Empty:
            return None

    def close(self) -> None:
        """End the thread after its present question."""
        self._questions.put(None)

    def _work(self) -> None:
        known: dict[HeardStop, Point] = {}
        given: list[Advice] = []
        first: Said = ""
        while (question := self._newest()) is not None:
            heard, results = question
            known = {stop: known.get(stop) or stop.point() for stop in heard if stop.windows}
            points = [point for stop, point in known.items() if stop.stop.on_line]
            reference = [point for stop, point in known.items() if stop.stop.for_drift]
            if points and all(stop.stop.kind == "end" for stop in known if stop.stop.on_line):
                if len(points) == 2 * MARKS:
                    said = two_places(points, self._tank, self._sweeps).said
                    if said != first:
                        self._answers.put(Advice(results, said, first=True, caution=caution_of(points)))
                    first = said
            elif points:
                may_end = not self._computing  # what is said without the model may change once it is there
                advice = advise(points, reference, self._tank, self._sweeps, results, given, self._units)
                given.append(advice)
                self._answers.put(advice if may_end else replace(advice, enough=False))

    def _compute(self, sweeps: Model) -> None:
        try:
            for better in sweeps():
                self._sweeps = better
                if self._asked is not None:
                    self._questions.put(self._asked)  # what was said without the model, or a coarser one, is said anew
        except TaptestError as error:
            self._answers.put(Advice(-1, str(error)))
        self._computing = False

    def _newest(self) -> tuple[tuple[HeardStop, ...], int] | None:
        question = self._questions.get()
        while question is not None and not self._questions.empty():
            question = self._questions.get()
        return question
