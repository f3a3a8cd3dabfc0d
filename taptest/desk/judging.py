"""Judging behind the pages: one visit after the other in a thread of its own, the last results at hand.

A judgement belongs to the document and recordings as they were (`visit.judged.basis`); after any change it is made
anew. Pages ask and are answered at once: done, under way with the share done, or failed with its sentence.
"""

import contextlib
import queue
import threading
import time
from collections import OrderedDict
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from taptest.errors import TaptestError

if TYPE_CHECKING:
    from taptest.desk.visits import Visits
    from taptest.report.figures import Picture
    from taptest.report.wording import Wording
    from taptest.visit.files import Visit
    from taptest.visit.history import History
    from taptest.visit.result import VisitResult

KEPT = 16
"""Results kept in memory; each takes a few megabytes."""
LONGEST_S = 600.0
"""One visit of many is waited for so long."""


@dataclass(slots=True)
class Judging:
    """One judgement, asked for."""

    state: Literal["working", "done", "failed"] = "working"
    share: float = 0.0
    """Share done of the tank's model, where that has to be computed."""
    result: "VisitResult | None" = None
    sentence: str = ""
    """Why it failed, or why the finding was not kept beside the visit."""
    lock: threading.Lock = field(default_factory=threading.Lock)
    drawn: "dict[Wording, Picture]" = field(default_factory=dict)

    def picture(self, wording: "Wording" = "us") -> "Picture":
        """Draw the boundary picture, once in each wording; there must be a result."""
        from taptest.report.figures import boundary_picture

        assert self.result is not None, "asked for where a finding is shown"
        with self.lock:
            if wording not in self.drawn:
                self.drawn[wording] = boundary_picture(self.result, wording)
            return self.drawn[wording]

    def upright(self, wording: "Wording" = "us") -> bytes:
        """Draw the tank for a narrow screen, as SVG; there must be a result."""
        from taptest.report.figures import UPRIGHT, vector_picture

        assert self.result is not None, "asked for where a finding is shown"
        with self.lock:
            return vector_picture(self.result, UPRIGHT, wording)


class Judge:
    """Judges visits; `ask` never waits longer than it is told to."""

    def __init__(self) -> None:
        self._known: OrderedDict[str, Judging] = OrderedDict()
        self._waiting: queue.SimpleQueue[tuple[str, Visit] | None] = queue.SimpleQueue()
        self._changed = threading.Condition()
        self._thread: threading.Thread | None = None
        self._warm = False

    def ask(self, visit: "Visit", wait_s: float = 0.0) -> Judging:
        """Return the judgement of a visit as far as it has come within `wait_s`.

        Raises `VisitError`, `StorageError`.
        """
        from taptest.visit.judged import basis

        key = f"{visit.folder}|{basis(visit)}"
        with self._changed:
            judging = self._known.get(key)
            if judging is None:
                judging = self._known[key] = Judging()
                self._forget()
                self._waiting.put((key, visit))
                self._start()
            self._known.move_to_end(key)
            until = time.monotonic() + wait_s
            while judging.state == "working" and (left := until - time.monotonic()) > 0:
                self._changed.wait(left)
        return judging

    def warm(self) -> None:
        """Load what judging and drawing need, so that the first visit opens sooner; once, and nobody waits for it."""
        if not self._warm:
            self._warm = True
            threading.Thread(target=_load, daemon=True, name="loading").start()

    def close(self) -> None:
        """Let the thread end after what it is doing."""
        self._waiting.put(None)

    def _start(self) -> None:
        if self._thread is None or not self._thread.is_alive():
            self._thread = threading.Thread(target=self._work, daemon=True, name="judging")
            self._thread.start()

    def _forget(self) -> None:
        """Forget the oldest results; those under way stay."""
        done = [key for key, judging in self._known.items() if judging.state != "working"]
        for key in done[: max(len(self._known) - KEPT, 0)]:
            del self._known[key]

    def _work(self) -> None:
        while (asked := self._waiting.get()) is not None:
            key, visit = asked
            judging = self._known[key]
            self._one(visit, judging)
            with self._changed:
                self._changed.notify_all()

    def _one(self, visit: "Visit", judging: Judging) -> None:
        from taptest.report.choices import in_usual_words
        from taptest.visit.judged import judge_and_keep

        def progress(share: float) -> None:
            judging.share = share

        try:
            judging.result, not_kept = judge_and_keep(visit, progress)
            judging.sentence = "" if not_kept is None else in_usual_words(not_kept)
        except TaptestError as error:
            judging.state, judging.sentence = "failed", str(error)
        except Exception as error:  # the page must say that it failed; the trace goes to the terminal
            judging.state = "failed"
            judging.sentence = f"The visit could not be judged ({type(error).__name__}). Please report this."
            threading.excepthook(threading.ExceptHookArgs((type(error), error, error.__traceback__, None)))
        else:
            judging.state = "done"


def _load() -> None:
    import taptest.report.figures
    import taptest.visit.analyse  # noqa: F401 - loaded for later


class Batch:
    """Judges many visits one after the other behind the pages; what a page asks for meanwhile waits for one at most."""

    def __init__(self, visits: "Visits", judge: Judge) -> None:
        self._visits, self._judge = visits, judge
        self._lock = threading.Lock()
        self._waiting: list[str] = []
        self.running = False
        """Whether visits are being judged."""
        self.done = 0
        self.total = 0

    def begin(self, idents: Sequence[str]) -> None:
        """Judge these visits after those that wait already."""
        with self._lock:
            if not self.running:
                self.done, self.total = 0, 0
            new = [ident for ident in idents if ident not in self._waiting]
            self._waiting += new
            self.total += len(new)
            if new and not self.running:
                self.running = True
                threading.Thread(target=self._work, daemon=True, name="judging all").start()

    def stop(self) -> None:
        """Judge no more after the one under way."""
        with self._lock:
            self.total -= len(self._waiting)
            self._waiting.clear()

    def _work(self) -> None:
        while True:
            with self._lock:
                self.running = bool(self._waiting)
                if not self.running:
                    return
                ident = self._waiting.pop(0)
            with contextlib.suppress(TaptestError):  # the list says of each visit why it has no finding
                found = self._visits.read(ident)
                if found.visit.document.points:
                    self._judge.ask(found.visit, wait_s=LONGEST_S)
            self.done += 1


@dataclass(slots=True)
class Past:
    """A tank's history, asked for."""

    state: Literal["working", "done", "failed"] = "working"
    share: float = 0.0
    history: "History | None" = None
    sentence: str = ""
    """Why it failed."""
    shown: bool = False
    """Whether a page has told it; then the next one reads anew."""


class Histories:
    """Reads histories of tanks behind the pages, each in a thread of its own, one at a time a tank."""

    def __init__(self, root: Path) -> None:
        self._root = root
        self._known: OrderedDict[tuple[str, str], Past] = OrderedDict()
        self._changed = threading.Condition()

    def ask(self, tank: str, site: str, wait_s: float) -> Past:
        """Return a tank's history as far as it has come within `wait_s`."""
        with self._changed:
            past = self._known.get((tank, site))
            if past is None or past.shown:
                past = self._known[tank, site] = Past()
                while len(self._known) > KEPT:
                    self._known.popitem(last=False)
                threading.Thread(target=self._read, args=(tank, site, past), daemon=True, name="history").start()
            until = time.monotonic() + wait_s
            while past.state == "working" and (left := until - time.monotonic()) > 0:
                self._changed.wait(left)
            past.shown = past.state != "working"
        return past

    def latest(self, tank: str, site: str) -> Past | None:
        """Return the latest history of a tank; None where none was asked for."""
        return self._known.get((tank, site))

    def _read(self, tank: str, site: str, past: Past) -> None:
        from taptest.visit.history import read_history

        def progress(share: float) -> None:
            past.share = share

        try:
            past.history = read_history(self._root, tank, site, progress)
            past.state = "done"
        except TaptestError as error:
            past.state, past.sentence = "failed", str(error)
        finally:
            if past.state == "working":
                past.state, past.sentence = "failed", "The history could not be read. Please report this."
            with self._changed:
                self._changed.notify_all()
