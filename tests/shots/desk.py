"""Make the pictures of docs/desk.md: each page of the desk in Chromium, over the simulated example visits.

Run by hand after a page has changed:  python -m tests.shots.desk
The round is fed from an array of simulated taps in real time. Pictures are reduced to few colours to stay small.
"""

import shutil
import tempfile
import time
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image
from playwright.sync_api import Page

from taptest.commands.demo import demo_folders
from taptest.desk.visits import ident_of
from taptest.visit.files import read_visit, save_document
from tests.desk_in_browser import DESKTOP, PHONE, Served, chromium, served, tab
from tests.made_desk import Arrays
from tests.sources import ArraySource
from tests.tapping import Hand

PICTURES = Path(__file__).parents[2] / "docs" / "pictures"
LONGEST_PX = 1100
LARGEST_BYTES = 200_000
COLOURS = 96
SHOWN = "3-low-on-air"
LOW = "4-waterlogged"
HEALTHY, MARKED, BROKEN = "1-healthy-hot", "7-with-a-mark", "8-incomplete"


class RealTime(ArraySource):
    """Delivers its sound as fast as a microphone would, and quiet after it."""

    def read(self, timeout_s: float) -> NDArray[np.float64] | None:
        time.sleep(1024 / self.rate_hz)
        if (self.read_blocks + 1) * 1024 < len(self._sound):
            return super().read(timeout_s)
        return np.random.default_rng(1).normal(0.0, 0.0005, 1024)


def shot(page: Page, name: str, whole: bool = False) -> None:
    """Save a picture of the page, at most `LONGEST_PX` high."""
    path = PICTURES / f"desk-{name}.png"
    page.wait_for_load_state("networkidle")
    # No path of the computer that the pictures are made on belongs into them.
    page.evaluate("document.querySelectorAll('.hint code').forEach((place) => { place.textContent = 'visits'; })")
    size = page.viewport_size
    assert size is not None
    height = min(page.evaluate("document.documentElement.scrollHeight"), LONGEST_PX) if whole else size["height"]
    page.screenshot(path=path, clip={"x": 0, "y": 0, "width": size["width"], "height": height}, full_page=whole)
    reduce(path)


def reduce(path: Path) -> None:
    """Reduce a picture to few colours, and say how large it is."""
    Image.open(path).convert("RGB").quantize(COLOURS, dither=Image.Dither.NONE).save(path, optimize=True)
    size_bytes = path.stat().st_size
    print(f"{path.name}: {size_bytes / 1000:.0f} kB" + ("" if size_bytes < LARGEST_BYTES else " - too large"))


def opened(page: Page, address: str) -> None:
    """Open a page and wait until its visit is judged."""
    page.goto(address)
    page.wait_for_selector(".finding, table.cards, form.long, ol.told", timeout=300_000)


def make_odd(shelf: Path) -> None:
    """Add a visit with a reference mark, and one whose sound is not all there."""
    shutil.copytree(shelf / HEALTHY, shelf / MARKED)
    shutil.copy(shelf / MARKED / "sound" / "point01.flac", shelf / MARKED / "sound" / "mark.flac")
    kept = read_visit(shelf / MARKED).document
    mark = kept.points[0].model_copy(update={"file": "sound/mark.flac"})
    save_document(shelf / MARKED, kept.model_copy(update={"reference": (mark,)}))
    shutil.copytree(shelf / HEALTHY, shelf / BROKEN)
    (shelf / BROKEN / "sound" / "point05.flac").unlink()


def main() -> None:
    """Make all pictures."""
    with tempfile.TemporaryDirectory() as place, chromium() as browser:
        shelf = Path(place) / "visits"
        for folder in demo_folders():
            shutil.copytree(folder, shelf / folder.name)
        sound = Hand(seed=5).quiet(3.6).taps(19, then_s=0.6).quiet(0.4).sound()
        with served(shelf, Arrays(lambda: RealTime(sound))) as desk:
            for size, scheme, kind in ((DESKTOP, "light", ""), (PHONE, "dark", "-phone")):
                with tab(browser, size, scheme) as (page, _):
                    desk.enter(page)
                    page.wait_for_load_state("networkidle")
                    for name in [folder.name for folder in demo_folders()] if not kind else []:
                        opened(page, f"{desk.base}/visit/{ident_of(name)}")
                    opened(page, f"{desk.base}/?look=yes")
                    shot(page, f"shelf{kind}")
                    visit = f"{desk.base}/visit/{ident_of(SHOWN)}"
                    opened(page, visit)
                    page.locator(".picture img").last.scroll_into_view_if_needed()
                    page.wait_for_load_state("networkidle")
                    page.evaluate("window.scrollTo(0, 0)")
                    shot(page, f"visit{kind}", whole=True)
                    opened(page, f"{visit}/point/4")
                    shot(page, f"review{kind}", whole=True)
            with tab(browser, DESKTOP) as (page, _):
                other_pages(page, desk, shelf)
                the_round(page, desk)


def other_pages(page: Page, desk: Served, shelf: Path) -> None:
    """Causes, history, sizing, settings, and what is there on odd visits only."""
    desk.enter(page)
    opened(page, f"{desk.base}/visit/{ident_of(LOW)}")
    page.locator(".evidence summary").click()
    page.locator("#causes").evaluate("(title) => window.scrollTo(0, title.offsetTop - 20)")
    shot(page, "causes")
    page.goto(f"{desk.base}/visit/{ident_of(SHOWN)}/history")
    page.wait_for_selector(".told", timeout=300_000)
    shot(page, "history", whole=True)
    page.goto(f"{desk.base}/size?like={ident_of(SHOWN)}")
    page.get_by_label("Sizes, one a line").fill("18 l\n35 l\n50 l")
    page.get_by_role("button", name="Size").click()
    page.get_by_text("Choice 1").wait_for()
    shot(page, "size")
    page.goto(f"{desk.base}/settings")
    shot(page, "settings")
    make_odd(shelf)
    opened(page, f"{desk.base}/?look=yes")
    opened(page, f"{desk.base}/visit/{ident_of(MARKED)}")
    opened(page, f"{desk.base}/visit/{ident_of(MARKED)}/others")
    shot(page, "others", whole=True)
    page.goto(f"{desk.base}/visit/{ident_of(BROKEN)}")
    shot(page, "mend")


def the_round(page: Page, desk: Served) -> None:
    """A new visit and its round."""
    page.goto(f"{desk.base}/new?like={ident_of(SHOWN)}")
    shot(page, "new", whole=True)
    page.get_by_role("button", name="Make the visit").click()
    page.get_by_role("link", name="Record a guided round").click()
    shot(page, "round-form")
    for label in ("Practice taps first", "Estimate while tapping"):
        page.get_by_label(label).uncheck()
    page.get_by_role("button", name="Begin").click()
    page.locator("[data-number]", has_text="7 of").wait_for(timeout=60_000)
    page.locator("[data-dots]", has_text="●").wait_for(timeout=10_000)
    page.screenshot(path=PICTURES / "desk-round.png")
    reduce(PICTURES / "desk-round.png")
    page.set_viewport_size({"width": PHONE[0], "height": PHONE[1]})
    page.screenshot(path=PICTURES / "desk-round-phone.png")
    reduce(PICTURES / "desk-round-phone.png")


if __name__ == "__main__":
    main()
