"""Judging behind the pages: one visit after the other in a thread of its own, the last results at hand.

A judgement belongs to the document and recordings as they were (`visit.judged.basis`); after any change it is made
anew. Pages ask and are answered at once: done, under way with the share done, or failed with its sentence.
"""

import queue
import threading
import time
from collections import OrderedDict
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from taptest.errors import TaptestError

if TYPE_CHECKING:
    from taptest.visit.files import Visit
    from taptest.visit.result import VisitResult

KEPT = 16
"""Results kept in memory; each takes a few megabytes."""


@dataclass(slots=True)
class Judging:
    """One judgement, asked for."""

    state: Literal["working", "done", "failed"] = "working"
    share: float = 0.0
    """Share done of the tank's model, where that has to be computed."""
    result: "VisitResult | None" = None
    sentence: str = ""
    """Why it failed, or why the finding was not kept beside the visit."""


class Judge:
    """Judges visits; `ask` never waits longer than it is told to."""

    def __init__(self) -> None:
        self._known: OrderedDict[str, Judging] = OrderedDict()
        self._waiting: queue.SimpleQueue[tuple[str, Visit] | None] = queue.SimpleQueue()
        self._changed = threading.Condition()
        self._thread: threading.Thread | None = None

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
        from taptest.visit.judged import judge_and_keep

        def progress(share: float) -> None:
            judging.share = share

        try:
            judging.result, judging.sentence = judge_and_keep(visit, progress)
        except TaptestError as error:
            judging.state, judging.sentence = "failed", str(error)
        except Exception as error:  # the page must say that it failed; the trace goes to the terminal
            judging.state = "failed"
            judging.sentence = f"The visit could not be judged ({type(error).__name__}). Please report this."
            threading.excepthook(threading.ExceptHookArgs((type(error), error, error.__traceback__, None)))
        else:
            judging.state = "done"
