"""The whole job on the pages, from a new tank to its printed report: how many actions and how much time it takes.

Run by hand:  python -m tests.bench.whole_job [laptop|telephone]
An action is a field filled, a choice or a button. Time is that of simulated work: each action as `FIELD_S` or `PRESS_S`
(own judgement, no source) and the round as long as its sound lasts. Every page on the way is held to axe-core with all
of its rules, weighed without its pictures, and searched for what is smaller than a finger.
"""

import importlib.util
import sys
import tempfile
import time
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from playwright.sync_api import Error, Page

from taptest.desk.visits import ident_of
from tests.desk_in_browser import DESKTOP, PHONE, Served, chromium, served, tab
from tests.made_desk import Arrays, make_shelf
from tests.shots.desk import RealTime
from tests.tapping import Hand

FloatArray = NDArray[np.float64]

FIELD_S, PRESS_S = 6.0, 2.0
"""To read a value and type it; to find a button and press it."""
MOST_ACTIONS, MOST_S = 25, 240.0
MOST_BYTES = 150_000
FINGER_PX = 44
SMALL = """() => Array.from(document.querySelectorAll("a, button, input:not([type=hidden]), select, summary, textarea"))
  .filter((each) => !each.closest("p, li, td, .hint, footer, h1, h2") || each.matches("button, .button"))
  .map((each) => [each, (each.closest("label") || each).getBoundingClientRect()])
  .filter(([each, box]) => box.width > 0 && box.height > 0 && box.right > 0 && box.height < 43.5)
  .map(([each, box]) => [each.tagName, (each.innerText || each.name || "").slice(0, 24), Math.round(box.height)])
  .map((words) => words.join(" ").replace(/\\s+/g, " "))"""
"""Controls lower than a finger; links that stand within a text are left out (WCAG 2.2, 2.5.8, allows them)."""


WEIGHT = """() => [...performance.getEntriesByType("navigation"), ...performance.getEntriesByType("resource")]
  .filter((each) => ["navigation", "script", "link"].includes(each.initiatorType))
  .reduce((sum, each) => sum + each.decodedBodySize, 0)"""
"""Page, scripts and styles; pictures and sound are left out."""


@dataclass
class Job:
    """One run: what was done, and what the pages weigh."""

    page: Page
    fields: int = 0
    presses: int = 0
    round_s: float = 0.0
    bytes_of: dict[str, int] = field(default_factory=dict)
    faults: list[str] = field(default_factory=list)
    small: set[str] = field(default_factory=set)

    @property
    def seconds(self) -> float:
        """Simulated work."""
        return self.fields * FIELD_S + self.presses * PRESS_S + self.round_s

    def fill(self, label: str, text: str) -> None:
        """Fill a field."""
        self.page.get_by_label(label, exact=True).first.fill(text)
        self.fields += 1

    def press(self, role: str, name: str) -> None:
        """Press a button, follow a link or choose."""
        self.page.get_by_role(role, name=name).first.click()  # type: ignore[arg-type]
        self.presses += 1

    def look(self, name: str) -> None:
        """Hold the page to axe with all of its rules, and find what is smaller than a finger."""
        self.page.wait_for_load_state("networkidle")
        found = importlib.util.find_spec("axe_core_python")
        assert found is not None
        assert found.origin is not None
        self.page.evaluate((Path(found.origin).parent / "axe.min.js").read_text(encoding="utf-8"))
        for each in self.page.evaluate("axe.run().then((found) => found.violations)"):
            self.faults.append(f"{name}: {each['id']} ({each['impact']}) {each['nodes'][0]['html'][:90]}")
        self.bytes_of[name] = self.page.evaluate(WEIGHT)
        self.small |= {f"{name}: {each}" for each in self.page.evaluate(SMALL)}


def whole_job(page: Page, pages: Served, sound_s: float) -> Job:
    """Do the job; the round hears the sound of the shelf's way."""
    job = Job(page)
    pages.enter(page)
    job.look("shelf")
    job.press("link", "New visit")
    job.look("new visit")
    job.fill("Name or place", "Left of the boiler")
    job.press("radio", "diaphragm tank")
    job.press("radio", "at the top")
    job.fill("Volume", "18 l")
    job.fill("Diameter", "270 mm")
    job.fill("Pressure at the gauge", "1.5 bar")
    job.press("button", "Make the visit")
    page.wait_for_load_state()
    job.look("visit without points")
    job.press("link", "Record a guided round")
    job.look("form of the round")
    job.press("button", "Begin")
    page.wait_for_selector("[data-round]")
    job.look("round")
    began = time.perf_counter()
    try:
        page.get_by_role("link", name="To the finding").wait_for(timeout=1000 * sound_s)
    except Error as error:
        raise SystemExit(f"The round did not end: {page.locator('.now').inner_text()!r}") from error
    job.round_s = time.perf_counter() - began
    job.look("end of the round")
    job.press("link", "To the finding")
    page.wait_for_selector(".finding", timeout=300_000)
    job.look("visit")
    answers = page.locator(".answers button")
    if answers.count():
        answers.first.click()
        job.presses += 1
        page.wait_for_load_state("networkidle")
    if page.locator("#reading").count():
        page.locator("#reading").fill("1 bar")
        job.fields += 1
        page.locator(".ask .decide button").click()
        job.presses += 1
        page.wait_for_load_state("networkidle")
    with page.expect_download(timeout=60_000) as taken:
        job.press("link", "Report (PDF")
    assert Path(taken.value.path()).read_bytes().startswith(b"%PDF")
    return job


def other_pages(job: Job, pages: Served) -> None:
    """Look at the pages that the job does not need."""
    visit = f"/visit/{ident_of('cellar')}"
    below = (
        "",
        "/details",
        "/photographs",
        "/history",
        "/manage",
        "/point/2",
        "/others",
        "/round",
        "/mend",
        "/another",
    )
    for path in ("/size", "/settings", "/unpack", "/away", *(f"{visit}{each}" for each in below)):
        job.page.goto(f"{pages.base}{path}")
        job.page.wait_for_selector("[data-judging]", state="detached", timeout=300_000)
        job.look(path.replace(visit, "visit ") or path)


def round_sound() -> FloatArray:
    """Practice and more marks than the round asks for, three taps each, at a steady pace."""
    hand = Hand(seed=5).quiet(3.6).taps(4, then_s=0.6)
    for _ in range(30):
        hand = hand.taps(3, then_s=0.6).quiet(0.8)
    return hand.quiet(0.4).sound()


def measure(name: str, size: tuple[int, int], scheme: str) -> None:
    """Print what the job takes on one screen, and what the pages lack."""
    sound = round_sound()
    with tempfile.TemporaryDirectory() as place, chromium() as browser:
        shelf = Path(place) / "visits"
        shelf.mkdir()
        with served(shelf, Arrays(lambda: RealTime(sound))) as pages, tab(browser, size, scheme) as (page, _):
            job = whole_job(page, pages, len(sound) / 48_000)
            make_shelf(shelf)
            page.goto(f"{pages.base}/?look=yes")
            actions = job.fields + job.presses
            print(f"{name}: {actions} actions (target {MOST_ACTIONS}), {job.seconds:.0f} s of work ({MOST_S:.0f})")
            other_pages(job, pages)
    heaviest = max(job.bytes_of.items(), key=lambda each: each[1])
    print(f"  heaviest page, {heaviest[0]}: {heaviest[1] / 1000:.0f} kB without pictures ( {MOST_BYTES / 1000:.0f})")
    print(f"  axe: {len(job.faults)} findings", *(f"\n    {each}" for each in job.faults))
    print(f"  lower than {FINGER_PX} px: {len(job.small)}", *(f"\n    {each}" for each in sorted(job.small)))


def main() -> None:
    """Measure on the screens that are named, or on both."""
    screens = {"laptop": (DESKTOP, "light"), "telephone": (PHONE, "dark")}
    for name in sys.argv[1:] or screens:
        measure(name, *screens[name])


if __name__ == "__main__":
    main()
