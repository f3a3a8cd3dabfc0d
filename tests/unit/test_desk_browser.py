"""The whole way in headless Chromium, on a laptop's screen and a phone's: form, import, finding, review, round.

Accessibility is held to axe-core (rules of WCAG 2.2 A and AA), which comes with the test package axe-core-python.
"""

import importlib.util
import json
import shutil
import threading
import time
from collections.abc import AsyncIterator, Callable, Iterator
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path
from typing import ClassVar

import pytest
from playwright.sync_api import Browser, Page, Route, expect

from taptest.desk import round_pages, visit_pages
from taptest.desk.access import Device
from taptest.desk.browser_sound import BROWSER
from taptest.desk.guard import OPENED
from taptest.desk.live import LiveRound
from taptest.desk.visits import ident_of
from taptest.finding.records import Case
from taptest.visit import analyse, sweeps
from taptest.visit.files import read_visit
from tests.desk_in_browser import DESKTOP, PHONE, Served, chromium, need_chromium, served, tab
from tests.made_desk import Arrays, make_shelf
from tests.made_visits import write_tables
from tests.samples import every
from tests.unit.test_desk_pages import TYPED
from tests.unit.test_desk_round import Endless, tapping

SHOT = "A door slammed."


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    need_chromium()
    with chromium(("--use-fake-device-for-media-stream",)) as browser:
        yield browser


@pytest.fixture
def pages(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Served]:
    monkeypatch.setattr(sweeps, "sharpening", lambda case: iter(()))
    monkeypatch.setattr(analyse, "sweeps_for", lambda case, progress: ((), ()))
    monkeypatch.setenv("TAPTEST_HOME", str(tmp_path / "home"))
    (tmp_path / "visits").mkdir()
    with served(tmp_path / "visits", Arrays(lambda: Endless(tapping(6)))) as pages:
        yield pages


def hold_to_axe(page: Page) -> None:
    """No serious fault of accessibility, and nothing that has to be scrolled sideways."""
    page.wait_for_load_state("load")
    if not page.evaluate("typeof axe === 'object'"):
        found = importlib.util.find_spec("axe_core_python")
        assert found is not None
        assert found.origin is not None
        # Given to the page from outside: its own policy would refuse it, as it refuses every foreign script.
        page.evaluate((Path(found.origin).parent / "axe.min.js").read_text(encoding="utf-8"))
    faults = page.evaluate("axe.run().then((found) => found.violations)")
    told = [(each["id"], each["impact"], each["nodes"][0]["html"][:120]) for each in faults]
    assert not [each for each in told if each[1] in ("serious", "critical")], (page.url, json.dumps(told))
    wide = page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
    assert wide <= 0, (page.url, wide)


@pytest.mark.parametrize(("size", "scheme"), every(2, [(DESKTOP, "light"), (PHONE, "dark")]), ids=["laptop", "phone"])
def test_from_the_form_to_the_finding_and_its_review(
    browser: Browser, pages: Served, tmp_path: Path, size: tuple[int, int], scheme: str
) -> None:
    write_tables(tmp_path / "sent", 6, spacing_mm=45.0)
    sent = [str(path) for path in sorted((tmp_path / "sent").iterdir()) if path.suffix in (".csv", ".wav")]
    with tab(browser, size, scheme) as (page, complaints):
        pages.enter(page)
        assert "ticket" not in page.url
        expect(page.get_by_text("No visits here yet.")).to_be_visible()
        hold_to_axe(page)
        page.get_by_role("link", name="New visit").first.click()
        hold_to_axe(page)
        page.get_by_label("Name or place").fill("Cellar")
        page.get_by_role("radio", name="diaphragm tank").check()
        page.get_by_role("radio", name="at the top").check()
        page.get_by_label("Volume", exact=True).fill("18")
        page.get_by_label("Diameter").fill("270 mm")
        page.goto(f"{pages.base}/")  # away and back: what was typed is there again
        page.goto(f"{pages.base}/new")
        expect(page.get_by_text("not sent yet")).to_be_visible()
        expect(page.get_by_label("Diameter")).to_have_value("270 mm")
        hold_to_axe(page)
        page.get_by_label("Pressure at the gauge").first.fill("1,5 bar")
        page.get_by_role("button", name="Make the visit").click()
        expect(page.locator("[id='tank.volume-error']")).to_contain_text("unit")
        assert [said for said in complaints if "422" not in said] == []
        complaints.clear()
        hold_to_axe(page)
        page.get_by_label("Volume", exact=True).fill("18 l")
        page.locator("#files").set_input_files(sent)
        expect(page.get_by_text("7 chosen")).to_be_visible()
        page.get_by_role("button", name="Make the visit").click()
        page.wait_for_selector("#points-title")
        expect(page.locator(".finding")).to_contain_text("cannot tell")
        page.get_by_text("The boundary picture").click()
        picture = page.locator(".picture img").first
        picture.scroll_into_view_if_needed()
        page.wait_for_load_state("networkidle")
        assert picture.evaluate("(image) => image.decode().then(() => image.naturalWidth)") > 0
        hold_to_axe(page)
        review(page)
        assert complaints == []


def review(page: Page) -> None:
    """Listen to a tap, refuse it, see the finding follow, take it back."""
    row = page.locator(".points tbody tr").nth(2)
    expect(row).to_contain_text("3 used")
    row.get_by_role("link").click()
    hold_to_axe(page)
    sound = page.locator("audio").first
    played = sound.evaluate("(audio) => { audio.muted = true; return audio.play().then(() => audio.duration); }")
    assert played == pytest.approx(0.7, abs=0.01)
    card = page.locator(".tap").nth(1)
    card.get_by_label("Reason").fill(SHOT)
    card.get_by_role("button", name="Refuse this tap").click()
    expect(page.locator(".tap").nth(1)).to_contain_text("by hand")
    expect(page.locator(".tap").nth(1)).to_contain_text(SHOT)
    page.get_by_role("link", name="All points").click()
    row = page.locator(".points tbody tr").nth(2)
    expect(row).to_contain_text("2 used, 1 not")
    expect(page.locator("main")).to_contain_text(f"by hand: “{SHOT[:-1]}”.")
    row.get_by_role("link").click()
    page.get_by_role("button", name="Undo the decision").click()
    expect(page.locator(".tap").nth(1)).not_to_contain_text("by hand")
    page.get_by_role("link", name="All points").click()
    expect(page.locator(".points tbody tr").nth(2)).to_contain_text("3 used")
    with page.expect_download() as taken:
        page.get_by_role("link", name="Report (PDF, A4)").click()
    assert Path(taken.value.path()).read_bytes().startswith(b"%PDF")


def test_a_round_by_the_keyboard_alone(browser: Browser, pages: Served) -> None:
    with tab(browser, DESKTOP) as (page, complaints):
        pages.enter(page)
        page.keyboard.press("Tab")
        expect(page.locator(":focus")).to_have_text("Skip to the list")
        page.goto(f"{pages.base}/new")
        for label, text in (("Name or place", "Cellar"), ("Volume", "18 l"), ("Diameter", "270 mm")):
            page.get_by_label(label, exact=True).focus()
            page.keyboard.type(text)
        for choice in ("diaphragm tank", "at the top"):
            page.get_by_role("radio", name=choice).focus()
            page.keyboard.press("Space")
        page.get_by_role("button", name="Make the visit").focus()
        page.keyboard.press("Enter")
        page.get_by_role("link", name="Record a guided round").focus()
        page.keyboard.press("Enter")
        expect(page.get_by_role("heading", name="Guided round")).to_be_visible()
        hold_to_axe(page)
        for label, text in (("First mark", "50 mm"), ("Last mark", "150 mm"), ("Distance of marks", "50 mm")):
            page.get_by_label(label).focus()
            page.keyboard.type(text)
        for label in ("Practice taps first", "Estimate while tapping"):
            page.get_by_label(label).focus()
            page.keyboard.press("Space")
        page.get_by_role("button", name="Begin").focus()
        page.keyboard.press("Enter")
        big = page.locator("[data-big]")
        expect(big).to_have_text("100 mm", timeout=15_000)
        hold_to_axe(page)
        assert big.bounding_box()["height"] >= 100, "the next position is read from two metres away"  # type: ignore[index]
        page.keyboard.press("Space")
        expect(big).to_have_text("50 mm")
        page.keyboard.press("s")
        expect(big).to_have_text("100 mm")
        page.keyboard.press("q")
        expect(page.get_by_role("link", name="To the finding")).to_be_visible(timeout=15_000)
        assert complaints == []


@pytest.mark.long
def test_a_microphone_that_the_browser_refuses_is_told_with_what_to_do(browser: Browser, pages: Served) -> None:
    """Headless Chromium has a microphone here, and nobody who could allow it."""
    with tab(browser, DESKTOP) as (page, complaints):
        pages.enter(page)
        where = page.evaluate(
            "(form) => fetch('new', {method: 'POST', body: new URLSearchParams(form)}).then((answer) => answer.url)",
            TYPED,
        )
        page.goto(f"{where.partition('?')[0]}/round")
        page.get_by_label("Microphone").select_option(BROWSER)
        page.get_by_role("button", name="Begin").click()
        said = page.locator("[data-micword]")
        expect(said).to_contain_text("The browser refuses the microphone")
        expect(said).to_contain_text("privacy settings")
        assert "listen" not in page.url
        hold_to_axe(page)
        button = page.get_by_role("button", name="Use this browser's microphone")
        button.click()
        expect(said).to_contain_text("The browser refuses the microphone")
        expect(button).to_be_visible()
        page.keyboard.press("q")
        expect(page.get_by_role("link", name="To the finding")).to_be_visible(timeout=15_000)
        expect(button).to_be_hidden()
        assert complaints == []


def stay(page: Page) -> None:
    """Mark the page as it is loaded: a page that loads itself anew loses the mark, and calls back whoever goes on."""
    page.evaluate("window.stayed = true")


def stayed(page: Page) -> bool:
    return bool(page.evaluate("window.stayed === true"))


def hold(page: Page, address: str) -> list[Route]:
    """Hold requests to an address back: each waits in the list until it is let go on."""
    held: list[Route] = []

    def keep(route: Route) -> None:
        held.append(route)

    page.route(address, keep)
    return held


def test_a_visit_that_is_new_in_the_folder_joins_the_list_without_loading_the_page_anew(
    browser: Browser, pages: Served
) -> None:
    with tab(browser, DESKTOP) as (page, complaints):
        looks = hold(page, "**/fresh")
        pages.enter(page)
        stay(page)
        page.get_by_label("Site").fill("Cell")
        make_shelf(pages.desk.visits.root)
        looks.pop().continue_()
        expect(page.get_by_role("link", name="Cellar", exact=True)).to_be_visible()
        expect(page.locator("[data-fresh]")).to_have_text("1 visit")
        assert stayed(page)
        expect(page.get_by_label("Site")).to_have_value("Cell")
        hold_to_axe(page)
        assert complaints == []


@pytest.mark.long
def test_whoever_stands_in_the_list_keeps_the_place_and_is_told_of_new_visits(browser: Browser, pages: Served) -> None:
    make_shelf(pages.desk.visits.root)
    pages.desk.visits.search(refresh=True)
    with tab(browser, DESKTOP) as (page, complaints):
        looks = hold(page, "**/fresh")
        pages.enter(page)
        page.get_by_role("link", name="Cellar", exact=True).focus()
        shutil.copytree(pages.desk.visits.root / "cellar", pages.desk.visits.root / "attic")
        looks.pop().continue_()
        more = page.get_by_role("link", name="The folder holds something new: show it")
        expect(more).to_be_visible()
        expect(page.get_by_role("link", name="Cellar", exact=True)).to_be_focused()
        page.unroute("**/fresh")
        more.click()
        expect(page.locator("[data-fresh]")).to_have_text("2 visits")
        assert complaints == []


@pytest.mark.long
def test_a_finding_that_was_waited_for_is_put_in_place_and_its_forms_work(
    browser: Browser, pages: Served, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(visit_pages, "WAIT_S", 0.0)
    asked, go_on = threading.Event(), threading.Event()

    def slow(_case: Case, _progress: object) -> tuple[tuple[()], tuple[()]]:
        asked.set()
        assert go_on.wait(20)
        return (), ()

    monkeypatch.setattr(analyse, "sweeps_for", slow)
    make_shelf(pages.desk.visits.root)
    pages.desk.visits.search(refresh=True)
    with tab(browser, PHONE) as (page, complaints):
        pages.enter(page)
        # Told too early that it is done, the page finds the judging still under way, and goes on waiting.
        page.route("**/state", lambda route: route.fulfill(json={"state": "done", "share": 1.0}), times=1)
        page.goto(f"{pages.base}/visit/{ident_of('cellar')}")
        expect(page.get_by_role("progressbar")).to_be_visible()
        assert asked.wait(20)
        stay(page)
        expect(page.locator("main")).to_be_focused()
        expect(page.get_by_role("progressbar")).to_be_visible()
        go_on.set()
        page.wait_for_selector("#points-title")
        expect(page.get_by_role("progressbar")).to_be_hidden()
        assert stayed(page)
        hold_to_axe(page)
        sent = hold(page, "**/evidence")
        page.get_by_text("What else was seen?").click()
        form = page.locator(".evidence form")
        disabled = form.evaluate(
            "(form) => { form.requestSubmit(); return new Promise((tell) => {"
            " setTimeout(() => tell(form.querySelector('button').disabled), 20); }); }"
        )
        assert disabled, "a form in the part that was put in place is sent once"
        sent.pop().continue_()
        expect(page.locator(".note")).to_be_visible()
        assert complaints == []


@pytest.mark.long
@pytest.mark.parametrize(
    ("size", "scheme"), every(2, [(PHONE, "dark"), ((1280, 800), "light")]), ids=["phone", "laptop"]
)
def test_the_tank_is_the_way_to_every_mark_and_an_answer_moves_the_causes(
    browser: Browser, pages: Served, size: tuple[int, int], scheme: str
) -> None:
    make_shelf(pages.desk.visits.root)
    pages.desk.visits.search(refresh=True)
    with tab(browser, size, scheme) as (page, complaints):
        pages.enter(page)
        page.goto(f"{pages.base}/visit/{ident_of('cellar')}")
        page.wait_for_selector(".live")
        stay(page)
        for part, least in ((".finding .sentence", 50), (".step-one", 40), (".section", 200)):  # without scrolling
            box = page.locator(part).bounding_box()
            assert box is not None
            assert box["y"] + min(box["height"], least) <= size[1] - (60 if size == PHONE else 0), part
        hold_to_axe(page)
        expect(page.get_by_role("link", name="Report (PDF")).to_be_in_viewport(ratio=1)
        page.locator('.spot[data-mark="2"]').click()
        expect(page.locator(".live")).to_have_attribute("data-place", "2")
        page.get_by_role("link", name="Mark above").click()
        expect(page.locator(".live")).to_have_attribute("data-place", "1")
        page.get_by_role("link", name="Mark below").click()
        expect(page.locator(".live")).to_have_attribute("data-place", "2")
        page.keyboard.press("ArrowDown")
        expect(page.locator(".live")).to_have_attribute("data-place", "3")
        with page.expect_request("**/point/3/tap-2.wav"):
            page.keyboard.press("2")
        page.keyboard.press("x")
        expect(page.locator(".taps-here li").nth(1)).to_contain_text("does not count")
        assert [kept.verdict for kept in read_visit(pages.desk.visits.root / "cellar").document.by_hand] == ["refuse"]
        page.keyboard.press("x")
        expect(page.locator(".taps-here li").nth(1)).not_to_contain_text("by hand")
        before = page.locator(".top-causes").inner_text()
        page.locator(".answers button").first.click()
        expect(page.locator(".note")).to_contain_text("Answers saved")
        assert page.locator(".top-causes").inner_text() != before
        assert stayed(page)
        hold_to_axe(page)
        assert complaints == []


@pytest.mark.long
@pytest.mark.parametrize(("size", "scheme"), every(2, [(DESKTOP, "dark"), (PHONE, "light")]), ids=["laptop", "phone"])
def test_settings_and_a_broken_visit_by_the_keyboard(
    browser: Browser, pages: Served, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, size: tuple[int, int], scheme: str
) -> None:
    monkeypatch.setenv("TAPTEST_HOME", str(tmp_path / "home"))
    folder = make_shelf(pages.desk.visits.root)
    lost = folder / "sound" / "p02.wav"
    kept = tmp_path / "p02.wav"
    lost.rename(kept)
    with tab(browser, size, scheme) as (page, complaints):
        pages.enter(page)
        page.goto(f"{pages.base}/settings")
        hold_to_axe(page)
        page.get_by_label("United States").focus()
        page.keyboard.press("ArrowDown")
        page.keyboard.press("Enter")
        expect(page.get_by_role("link", name="Size a vessel")).to_be_visible()
        page.goto(f"{pages.base}/visit/{ident_of('cellar')}/manage")
        hold_to_axe(page)
        page.goto(f"{pages.base}/?look=yes")
        page.keyboard.press("Tab")  # the list in two steps: the first link of the page leads to it
        page.keyboard.press("Enter")
        page.keyboard.press("ArrowDown")
        expect(page.get_by_role("link", name="cellar", exact=True)).to_be_focused()
        page.keyboard.press("Enter")
        expect(page.get_by_text("This visit cannot be read yet")).to_be_visible()
        page.locator("summary").focus()
        page.keyboard.press("Enter")
        expect(page.get_by_label("Text of visit.json")).to_be_visible()
        hold_to_axe(page)
        page.locator("#files").set_input_files(str(kept))
        page.get_by_role("button", name="Bring back").focus()
        page.keyboard.press("Enter")
        page.wait_for_selector("#points-title")
        expect(page.locator(".note")).to_contain_text("Brought back")
        expect(page.locator("main")).to_contain_text("safety valve")
        page.goto(f"{pages.base}/visit/{ident_of('cellar')}/others")
        hold_to_axe(page)
        page.goto(f"{pages.base}/visit/{ident_of('cellar')}/photographs")
        hold_to_axe(page)
        page.goto(f"{pages.base}/visit/{ident_of('cellar')}/details")
        page.locator("summary", has_text="Other vessels").focus()
        page.keyboard.press("Enter")
        page.get_by_label("Other vessel 1: volume").fill("25 l")
        hold_to_axe(page)
        page.get_by_role("button", name="Keep").focus()
        page.keyboard.press("Enter")
        expect(page.locator("[id='parallel.1.precharge-error']")).to_contain_text("takes no part")
        page.get_by_label("Other vessel 1: pre-charge").fill("1 bar")
        page.get_by_role("button", name="Keep").click()
        page.wait_for_selector("#points-title")
        assert [said for said in complaints if "422" not in said] == []
    assert read_visit(folder).document.parallel[0].volume == "25 l"


@pytest.mark.long
def test_a_foreign_page_cannot_reach_the_desk(browser: Browser, pages: Served) -> None:
    """A page under another name, though open in the same browser beside the cookie, gets and sets nothing."""
    with tab(browser, DESKTOP) as (page, _):
        pages.enter(page)
        evil = page.context.new_page()
        evil.route("http://evil.example/**", lambda route: route.fulfill(content_type="text/html", body="<p>evil"))
        evil.goto("http://evil.example/")
        reached = evil.evaluate(
            "(base) => fetch(base + '/', {credentials: 'include'}).then(() => 'reached', () => 'refused')", pages.base
        )
        assert reached == "refused"
        evil.evaluate(
            """(base) => {
                const form = document.createElement('form');
                form.method = 'post';
                form.action = base + '/new';
                document.body.append(form);
                form.submit();
            }""",
            pages.base,
        )
        evil.wait_for_url(f"{pages.base}/new")
        assert "refused" in evil.inner_text("body")
        assert not [path for path in pages.desk.visits.root.iterdir() if path.is_dir()]


class Elsewhere(BaseHTTPRequestHandler):
    """A program of somebody else at another port of this computer; it keeps the cookies that it is given."""

    cookies: ClassVar[list[str]] = []

    def do_GET(self) -> None:
        self.cookies.append(self.headers.get("cookie", ""))
        self.send_response(200)
        for name, value in (("odd", "a b;c={d}[e]"), ("set(by)@other", "1"), (ours(self), "junk")):
            self.send_header("set-cookie", f"{name}={value}; Path=/")
        self.send_header("content-length", "0")
        self.end_headers()

    def log_message(self, *given: object) -> None:
        """Say nothing."""


def ours(handler: BaseHTTPRequestHandler) -> str:
    """The name of the desk's cookie, which anybody can guess; the port is told in the address."""
    return f"taptest_{handler.path.strip('/')}"


def test_another_port_is_given_no_cookie_and_its_own_lock_nobody_out(browser: Browser, pages: Served) -> None:
    with (
        HTTPServer(("127.0.0.1", 0), Elsewhere) as other,
        tab(browser, DESKTOP) as (page, _),
    ):
        threading.Thread(target=other.serve_forever, daemon=True).start()
        pages.enter(page)
        port = pages.base.split(":")[2].partition("/")[0]
        page.goto(f"http://127.0.0.1:{other.server_address[1]}/{port}")
        page.goto(f"http://127.0.0.1:{other.server_address[1]}/{port}")
        other.shutdown()
        assert any("junk" in each for each in Elsewhere.cookies), "the other port is given its own"
        kept = next(each for each in page.context.cookies() if each.get("path") != "/")
        assert kept.get("httpOnly")
        assert not any(str(kept.get("value")) in each for each in Elsewhere.cookies)
        page.goto(f"{pages.base}/")
        expect(page.get_by_role("link", name="Visits")).to_be_visible()


def test_the_file_that_opens_the_browser_leads_in(browser: Browser, pages: Served, tmp_path: Path) -> None:
    """A file is another site to the browser: what it leads to counts as foreign."""
    file = tmp_path / "opens.html"
    file.write_text(OPENED.format(target=pages.opened, icon="data:,"), encoding="utf-8")
    with tab(browser, DESKTOP) as (page, complaints):
        page.goto(file.as_uri())
        page.wait_for_url(f"{pages.base}/")
        expect(page.get_by_role("link", name="Visits")).to_be_visible()
        assert complaints == []


@pytest.mark.long
def test_a_browser_is_let_in_and_shut_out_in_the_settings(
    browser: Browser, pages: Served, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("TAPTEST_HOME", str(tmp_path / "home"))
    with tab(browser, DESKTOP) as (page, _), tab(browser, PHONE) as (phone, _):
        pages.enter(page)
        page.goto(f"{pages.base}/settings")
        page.get_by_role("button", name="Allow another browser").click()
        hold_to_axe(page)
        phone.goto(page.locator("code").inner_text())
        phone.wait_for_url(f"{pages.base}/")
        page.goto(f"{pages.base}/settings")
        expect(page.locator(".devices li")).to_have_count(2)
        page.get_by_role("button", name="Remove").click()
        expect(page.locator(".devices li")).to_have_count(1)
        phone.goto(f"{pages.base}/")
        expect(phone.locator("body")).to_contain_text("works once")


def begin_round(page: Page, pages: Served) -> str:
    """Begin a round that waits for taps; returns the address of its page."""
    pages.enter(page)
    where = page.evaluate(
        "(form) => fetch('new', {method: 'POST', body: new URLSearchParams(form)}).then((answer) => answer.url)", TYPED
    )
    page.goto(f"{where.partition('?')[0]}/round")
    for label, text in (("First mark", "50 mm"), ("Last mark", "150 mm"), ("Distance of marks", "50 mm")):
        page.get_by_label(label).fill(text)
    for label in ("Practice taps first", "Estimate while tapping"):
        page.get_by_label(label).uncheck()
    page.get_by_role("button", name="Begin").click()
    expect(page.locator("[data-big]")).to_have_text("100 mm", timeout=15_000)
    return page.url.partition("?")[0]


@pytest.fixture
def streams(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """The streams of events that are open."""
    opened: list[str] = []
    stream = round_pages._stream

    async def counted(live: LiveRound, device: Device) -> AsyncIterator[str]:
        opened.append(live.ident)
        try:
            async for each in stream(live, device):
                yield each
        finally:
            opened.remove(live.ident)

    monkeypatch.setattr(round_pages, "_stream", counted)
    return opened


def until(true: Callable[[], bool], page: Page, seconds: float = 10.0) -> None:
    """Wait until something is true, while the browser goes on."""
    end = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < end
        page.wait_for_timeout(50)


def be_seen(page: Page, how: str) -> None:
    """Have a tab be hidden or visible: without a screen they are all visible."""
    page.evaluate(
        "(how) => { Object.defineProperty(document, 'visibilityState', { value: how, configurable: true });"
        " document.dispatchEvent(new Event('visibilitychange')); }",
        how,
    )


@pytest.mark.long
def test_twenty_tabs_of_a_round_share_one_stream_and_freeze_nothing(
    browser: Browser, pages: Served, streams: list[str]
) -> None:
    with tab(browser, DESKTOP) as (page, complaints):
        where = begin_round(page, pages)
        tabs = [page, *(page.context.new_page() for _ in range(19))]
        for each in tabs[1:]:
            each.goto(where, timeout=5_000)
        began = time.monotonic()
        other = page.context.new_page()
        other.goto(f"{pages.base}/new", timeout=5_000)
        assert time.monotonic() - began < 1.0
        assert len(streams) == 1
        tabs[7].keyboard.press("s")
        for each in tabs:
            expect(each.locator("[data-big]")).to_have_text("150 mm")
        page.close()  # it had the stream; another one takes it
        tabs[7].keyboard.press(" ")
        for each in tabs[1:]:
            expect(each.locator("[data-big]")).to_have_text("100 mm")
        until(lambda: len(streams) == 1, other)
        assert complaints == []


def test_on_a_telephone_the_number_and_the_keys_never_scroll_away(browser: Browser, pages: Served) -> None:
    with tab(browser, PHONE) as (page, complaints):
        begin_round(page, pages)
        for far in (0, 100_000):
            page.evaluate("(far) => window.scrollTo(0, far)", far)
            for part in ("[data-big]", "[data-dots]", ".huge"):
                expect(page.locator(part)).to_be_in_viewport(ratio=1)
        box = page.locator("[data-big]").bounding_box()
        assert box is not None
        assert box["height"] >= 60
        until(lambda: page.locator("[data-round]").get_attribute("data-awake") == "yes", page)
        hold_to_axe(page)
        assert complaints == []


@pytest.mark.long
def test_a_hidden_tab_has_no_stream_and_is_told_all_when_it_is_seen(
    browser: Browser, pages: Served, streams: list[str]
) -> None:
    with tab(browser, DESKTOP) as (page, complaints):
        where = begin_round(page, pages)
        second = page.context.new_page()
        second.goto(where)
        be_seen(page, "hidden")
        expect(second.locator("[data-device]")).not_to_be_empty()
        until(lambda: len(streams) == 1, page)
        be_seen(second, "hidden")
        until(lambda: not streams, page)
        live = pages.desk.rounds.running
        assert live is not None
        live.press("skip")
        page.wait_for_timeout(300)
        expect(page.locator("[data-big]")).to_have_text("100 mm")
        be_seen(page, "visible")
        expect(page.locator("[data-big]")).to_have_text("150 mm")
        assert len(streams) == 1
        assert complaints == []


@pytest.mark.long
def test_a_device_that_is_shut_out_hears_nothing_more_of_the_round(
    browser: Browser, pages: Served, streams: list[str]
) -> None:
    with tab(browser, DESKTOP) as (page, _):
        begin_round(page, pages)
        until(lambda: len(streams) == 1, page)
        pages.desk.access.shut_out(1)
        until(lambda: not streams, page)
        expect(page.locator("[data-big]")).to_have_text("STOPPED")


@pytest.mark.long
def test_the_page_of_a_killed_desk_does_not_say_that_the_round_goes_on(browser: Browser, pages: Served) -> None:
    with tab(browser, DESKTOP) as (page, _):
        begin_round(page, pages)
        second = page.context.new_page()
        second.goto(page.url)
        expect(second.locator("[data-device]")).not_to_be_empty()
        pages.kill()
        for each in (page, second):
            expect(each.locator("[data-big]")).to_have_text("STOPPED", timeout=15_000)
            expect(each.locator("[data-small]")).to_contain_text("what was tapped is kept")
            expect(each.locator("main")).not_to_contain_text("goes on")
        hold_to_axe(page)
