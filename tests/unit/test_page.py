"""The report's pages: one page whatever is typed, fonts embedded, nothing that must be said is missing."""

import io
import re
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import timedelta
from functools import cache
from itertools import product
from typing import Any

import pytest
import typst
from matplotlib.font_manager import get_font
from pypdf import PdfReader

from taptest.errors import TaptestError
from taptest.finding.records import Cause, ParallelTank
from taptest.report import figures, page, page_text
from taptest.report.choices import Paper
from taptest.report.page_text import CustomerText, PageText
from taptest.report.wording import LANGUAGE, Wording, told, worded
from taptest.simulate.truth import VisitTruth
from taptest.statements import Key
from taptest.visit.record import Document
from taptest.visit.result import VisitResult
from taptest.words.tell import LOCALE, languages, tell, text_of
from tests.made_pages import FINGERPRINT, made_document, made_page, made_sources, words_of
from tests.made_up import LYING, made_up

LONG = "A note that goes on and on, about everything that was seen and done on that long morning. " * 30
SIZES = {"a4": (210 / 25.4 * 72, 297 / 25.4 * 72), "letter": (8.5 * 72, 11 * 72)}
"""Points, from ISO 216 (A4) and ANSI/ASME Y14.1 (letter)."""


def words(key: Key, wording: Wording = "us") -> str:
    """The text of a key, on one line."""
    return " ".join(text_of(key, LANGUAGE[wording]).split())


@pytest.fixture(scope="module", autouse=True)
def _each_picture_once() -> Iterator[None]:
    """Draw each kind of picture once: what is tested here stands around it."""
    drawn: dict[tuple[object, ...], bytes] = {}

    def once(result: VisitResult, sheet: figures.Sheet, wording: Wording) -> bytes:
        key = (sheet, wording, result.judgement.boundary_state, result.case.tank, result.profile is None)
        if key not in drawn:
            drawn[key] = figures.vector_picture(result, sheet, wording)
        return drawn[key]

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(page, "vector_picture", once)
        yield


def long_result() -> VisitResult:
    """A result with far more to say than a page takes."""
    result = made_up(assumptions=tuple(f"Assumption {n}: the wall is taken as usual." for n in range(6)))
    judgement = replace(
        result.judgement,
        reasons=tuple(
            f"Reason {n}: the level and the readings were laid side by side and compared." for n in range(40)
        ),
        not_checked=tuple(f"Open point {n}: this was not looked at during the visit." for n in range(12)),
        next_checks=tuple(f"Check {n}: look at it, write it down and tap the line again." for n in range(5)),
        causes=tuple(
            Cause(f"cause {n}", 0.15, f"For it speaks observation number {n}.", supported=True) for n in range(6)
        ),
    )
    return replace(result, judgement=judgement)


def long_document() -> Document:
    return made_document(
        visit={"site": LONG, "technician": "X" * 600},
        tank={"name": "W" * 400, "serial": LONG},
        readings={"notes": LONG},
        as_left={"pressure": "1.1 bar", "precharge": "1.0 bar", "work": LONG},
        observations={"drips": "hot", "weight": "heavy"},
        drain={"volume": "1 l", "pressure_before": "1.3 bar", "pressure_after": "0.4 bar"},
    )


RESULTS: dict[str, Callable[[], tuple[VisitResult, Document]]] = {
    "found": lambda: (made_up(), made_document()),
    "all air": lambda: (made_up(state="all air", code="as expected"), made_document()),
    "all water": lambda: (made_up(state="all water", code="waterlogged"), made_document()),
    "cannot tell": lambda: (made_up(state="not found", code="cannot tell", profile=None), made_document()),
    "lying": lambda: (
        made_up(LYING, boundary_m=0.13),
        made_document(tank={"kind": "plain", "axis": "horizontal", "water_end": "bottom"}),
    ),
    "long": lambda: (long_result(), long_document()),
}
CASES = [*product(RESULTS, ["report"], ["a4", "letter"], ["us"]), *product(RESULTS, ["customer"], ["letter"], ["uk"])]


@cache
def pdf_of(name: str, form: str, paper: Paper, wording: Wording) -> bytes:
    result, document = RESULTS[name]()
    return made_page(form, result, made_sources(document, paper=paper, wording=wording))


@pytest.mark.parametrize(("name", "form", "paper", "wording"), CASES)
def test_one_small_page_with_its_fonts(name: str, form: str, paper: Paper, wording: Wording) -> None:
    pdf = pdf_of(name, form, paper, wording)
    reader = PdfReader(io.BytesIO(pdf))
    assert len(reader.pages) == 1
    assert [float(side) for side in reader.pages[0].mediabox[2:]] == pytest.approx(SIZES[paper], abs=0.1)
    assert len(pdf) < 300_000
    resources: Any = reader.pages[0]["/Resources"]
    fonts = [font.get_object() for font in resources["/Font"].values()]
    assert fonts
    for font in fonts:
        descriptor = font["/DescendantFonts"][0].get_object()["/FontDescriptor"]
        assert {"/FontFile2", "/FontFile3"} & set(descriptor), font["/BaseFont"]


def test_says_that_it_is_for_archives() -> None:
    # ISO 19005-2, conformance level U: fonts embedded, every letter can be read as text.
    pdf = pdf_of("found", "report", "a4", "us")
    packet = PdfReader(io.BytesIO(pdf)).xmp_metadata
    assert packet is not None
    assert re.search(rb"pdfaid:part>2<.*pdfaid:conformance>U<", pdf, re.DOTALL)


def test_a_reason_that_causes_share_is_said_once_and_those_without_one_are_named() -> None:
    reason, against = "The valve drips when the system is hot.", "Against it: the tank feels light."
    causes = (
        Cause("waterlogged tank", 0.4, reason, supported=True),
        Cause("lost pre-charge", 0.35, reason, supported=True),
        Cause("tank too small", 0.1, against),
        Cause("gauge error", 0.05, against),
    )
    result = made_up()
    result = replace(result, judgement=replace(result.judgement, causes=causes))
    text = words_of(made_page("report", result, made_sources())).replace("\u00a0", " ")
    assert f"Waterlogged tank 40 %, lost pre-charge 35 %: {reason}" in text
    assert "Nothing observed so far speaks for the others: tank too small 10 %, gauge error 5 %." in text
    assert text.count(reason) == 1


@pytest.mark.parametrize("wording", ["us", "uk"])
def test_everything_that_must_be_said_is_there(wording: Wording) -> None:
    result = made_up(remarks=("The file p01.wav ends early.",))
    text = words_of(made_page("report", result, made_sources(wording=wording)))
    judgement = result.judgement
    own = (
        judgement.says,
        *judgement.reasons,
        *result.remarks,
        *judgement.not_checked,
        *result.assumptions,
        *judgement.next_checks,
        *page_text.CAUTIONS,
        judgement.causes[0].because,
        PageText.SIMULATED,
    )
    for sentence in own:
        assert told(sentence, result.units, wording) in text
    for typed in ("Mill Road 4, cellar", "A. Sample", "2025-03-14", "left of the door", "1.2 bar", "7 m", "180 l"):
        assert typed in text.replace("\u00a0", " ")
    assert worded("Lost pre-charge 70 %: ", wording) in text.replace("\u00a0", " ")
    assert FINGERPRINT in text
    assert "54 used, 0 rejected, 18 points" in text


def test_data_about_the_page() -> None:
    pdf = made_page("report", made_up(), made_sources(made_document(visit={"technician": "Łukasz Ångström"})))
    info = PdfReader(io.BytesIO(pdf)).metadata
    assert info is not None
    assert info.author == "Łukasz Ångström"
    assert f"sha256:{FINGERPRINT}" in str(info["/Keywords"])
    assert "simulated data" in str(info["/Keywords"])
    assert info.creation_date is not None
    assert abs(info.creation_date - made_sources().made_at) < timedelta(seconds=1)


def test_same_visit_same_page() -> None:
    assert pdf_of("found", "report", "a4", "us") == made_page("report", made_up(), made_sources())


@pytest.mark.long
def test_simulated_is_said_only_where_it_is_so() -> None:
    real = replace(made_up(), simulated=False)
    for form in ("report", "customer"):
        assert words(PageText.SIMULATED) in words_of(made_page(form, made_up(), made_sources()))
        assert "simulated" not in words_of(made_page(form, real, made_sources())).lower()


def test_what_is_missing_is_said_to_be_missing() -> None:
    bare = made_document(visit={}, readings={"pressure": None, "water_temperature": None, "state": None})
    document = made_document(
        visit={"site": None, "technician": "  "},
        tank={"precharge": None},
        system={"relief": None, "volume": None, "static_head": None, "max_temperature": None},
        readings={"pressure": None, "water_temperature": "", "state": None},
    )
    result = replace(made_up(), visited_on=None)
    text = words_of(made_page("report", result, made_sources(document)))
    assert f"Site {words(PageText.NOT_GIVEN)} Date {words(PageText.NOT_GIVEN)}" in text
    assert f"Technician {words(PageText.NOT_GIVEN)}" in text
    assert text.count(words(PageText.NOT_READ)) == 3
    assert text.count(words(PageText.NOT_KNOWN)) == 5
    assert "None" not in text
    assert words(PageText.NOT_READ) in words_of(made_page("report", result, made_sources(bare)))


def test_as_left_stands_beside_as_found() -> None:
    left = made_document(as_left={"pressure": "1.5 bar", "precharge": "0.9 bar", "work": "Pumped up, tapped again."})
    text = words_of(made_page("report", made_up(), made_sources(left))).replace("\u00a0", " ")
    assert words(PageText.AS_LEFT) in text
    assert "Pressure 1.2 bar 1.5 bar" in text
    assert "1.0 bar, as stated 0.9 bar" in text
    assert "Pumped up, tapped again." in text
    assert words(PageText.AS_LEFT) not in words_of(pdf_of("found", "report", "a4", "us"))
    assert "Pumped up, tapped again." in words_of(made_page("customer", made_up(), made_sources(left)))


def test_decisions_by_hand_are_owned_up_to() -> None:
    decisions = [
        {"file": "sound/p1.wav", "onset_s": 1.0, "verdict": "refuse", "why": "a door fell shut"},
        {"file": "sound/p1.wav", "onset_s": 2.0, "verdict": "refuse", "why": "a door fell shut"},
        {"file": "sound/p2.wav", "onset_s": 1.0, "verdict": "use", "why": "clean to the ear"},
    ]
    text = words_of(made_page("report", made_up(), made_sources(made_document(by_hand=decisions))))
    assert "2 taps refused, 1 used: a door fell shut; clean to the ear" in text
    text = words_of(made_page("report", made_up(), made_sources(made_document(by_hand=decisions[:1]))))
    assert "1 tap refused, 0 used: a door fell shut" in text


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_long_texts_cost_neither_cautions_nor_what_was_not_checked(paper: Paper) -> None:
    text = words_of(pdf_of("long", "report", paper, "us"))
    result = long_result()
    must = (*result.judgement.not_checked, *result.assumptions, *result.judgement.next_checks, *page_text.CAUTIONS)
    for sentence in must:
        assert tell(sentence, result.units) in text
    left_out = re.search(r"\((\d+) more in the visit\)", text)
    assert left_out is not None
    shown = [reason for reason in result.judgement.reasons if tell(reason, result.units) in text]
    assert len(shown) + int(left_out[1]) == len(result.judgement.reasons)
    assert len(shown) >= 3
    assert words(PageText.CUT) in text


@pytest.mark.long
def test_far_too_much_is_scaled_and_not_lost() -> None:
    result = long_result()
    sentences = tuple(f"Open point {n}: this was not looked at during the visit." for n in range(150))
    result = replace(result, judgement=replace(result.judgement, not_checked=sentences))
    text = words_of(made_page("report", result, made_sources(long_document())))
    for sentence in (*sentences, *map(words, page_text.CAUTIONS)):
        assert sentence in text


HOSTILE = '#panic("x") #sys.inputs $x^2$ *bold* _it_ <label> @ref \\ `raw` // /* " ]]} ${x} {{x}} </script>'


@pytest.mark.parametrize("form", ["report", "customer"])
def test_what_was_typed_is_never_read_as_markup(form: str) -> None:
    document = made_document(
        visit={"site": HOSTILE[:80], "technician": HOSTILE[:60]},
        readings={"notes": HOSTILE},
        as_left={"work": HOSTILE},
        tank={"serial": "{n} {serial}"},
    )
    text = words_of(made_page(form, made_up(), made_sources(document)))
    assert HOSTILE in text
    assert "{n} {serial}" in text.replace("\u00a0", " ")


def test_half_letters_and_signs_that_turn_the_line_do_no_harm() -> None:
    document = made_document(visit={"site": "a\ud800b\u202egnp.\u0000c\u0007d"})
    assert "a?bgnp. c d" in words_of(made_page("report", made_up(), made_sources(document)))


def test_names_in_latin_greek_and_cyrillic_need_no_other_font(monkeypatch: pytest.MonkeyPatch) -> None:
    only_ours(monkeypatch)
    names = "Łódź Đặng Ångström Ñ ß Ğ / Λεωφόρος Αθηνών / Котельная №3, вул. Ґонти, ђ ќ ў"
    text = words_of(made_page("report", made_up(), made_sources(made_document(readings={"notes": names}))))
    assert names in text
    assert words(PageText.LETTERS) not in text


@pytest.mark.long
def test_letters_of_no_font_are_owned_up_to(monkeypatch: pytest.MonkeyPatch) -> None:
    only_ours(monkeypatch)
    # Letters for private use have no sign of their own; typst names them by their numbers.
    document = made_document(visit={"site": "ボイラー室 3"}, readings={"notes": "ボイラー, \ue000\ue001 u{e"})
    for form in ("report", "customer"):
        text = words_of(made_page(form, made_up(), made_sources(document)))
        assert "????? 3" in text.replace("\u00a0", " ")
        assert form == "customer" or "????, ?? u{e" in text
        assert words(PageText.LETTERS) in text


def only_ours(monkeypatch: pytest.MonkeyPatch) -> None:
    """Leave the page no font but the bundled one."""
    ours = typst.Fonts(include_system_fonts=False, include_embedded_fonts=False, font_paths=[str(page.FONTS)])
    monkeypatch.setattr(page, "_fonts", lambda of_computer: ours)


def test_a_font_that_cannot_be_embedded_is_done_without(monkeypatch: pytest.MonkeyPatch) -> None:
    compile_page = typst.compile
    tried = []

    def refuses_fonts_of_the_computer(template: bytes, **settings: Any) -> bytes:
        tried.append(settings["font_paths"])
        if settings["font_paths"] is page._fonts(of_computer=True):
            compile_page(b'#panic("a font cannot be embedded")', format="pdf")
        return bytes(compile_page(template, **settings))

    monkeypatch.setattr(typst, "compile", refuses_fonts_of_the_computer)
    assert words(PageText.TITLE) in words_of(made_page("report", made_up(), made_sources()))
    assert len(tried) == 2


def test_a_page_that_cannot_be_set_is_told_in_a_sentence(monkeypatch: pytest.MonkeyPatch) -> None:
    compile_page = typst.compile
    monkeypatch.setattr(typst, "compile", lambda *_, **__: compile_page(b'#panic("out of ink")', format="pdf"))
    with pytest.raises(TaptestError, match=r"out of ink.*report this"):
        made_page("report", made_up(), made_sources())


def test_bundled_font_is_free_small_and_has_the_letters() -> None:
    files = sorted(page.FONTS.glob("*.ttf"))
    assert len(files) == 2
    assert sum(file.stat().st_size for file in files) < 1_500_000
    assert "SIL OPEN FONT LICENSE Version 1.1" in (page.FONTS / "OFL.txt").read_text(encoding="utf-8")
    # Blocks of the Unicode standard: Latin-1, Latin Extended-A, Greek capitals and small letters, Cyrillic.
    blocks = (range(0xA0, 0x180), range(0x391, 0x3A2), range(0x3A3, 0x3CA), range(0x400, 0x460))
    for file in files:
        known = get_font(str(file)).get_charmap()
        assert not [hex(code) for block in blocks for code in block if code not in known]
        assert all(ord(letter) in known for letter in "–…•°½№“”?")


def test_uk_words_leave_typed_words_alone() -> None:
    document = made_document(tank={"name": "old tank, relief valve behind it"}, readings={"notes": "tank dripped"})
    text = words_of(made_page("report", made_up(), made_sources(document, wording="uk")))
    assert "old tank, relief valve behind it" in text
    assert "tank dripped" in text
    others = text.replace("old tank, relief valve behind it", "").replace("tank dripped", "").lower()
    assert "tank" not in others
    assert "relief valve" not in others
    assert "expansion vessel" in others
    assert "safety valve" in others


def test_customer_is_told_in_plain_words() -> None:
    for name in ("found", "all air", "all water", "cannot tell", "lying"):
        text = words_of(pdf_of(name, "customer", "letter", "uk"))
        result, _ = RESULTS[name]()
        for sentence in map(words, (page_text.CUSTOMER_FOUND[result.judgement.code], *page_text.CUSTOMER_CAUTIONS)):
            assert worded(sentence, "uk") in text
        for word in ("interval", "posterior", "probability", "pre-charge", "boundary"):
            assert word not in text


def test_a_proven_failure_is_said_as_such_to_the_customer() -> None:
    result = made_up(code="membrane failed")
    proven = replace(result, case=replace(result.case, observations={"water at the air valve": "yes"}))
    assert words(page_text.CUSTOMER_FOUND["membrane failed"]) in words_of(made_page("customer", result, made_sources()))
    text = words_of(made_page("customer", proven, made_sources()))
    assert words(CustomerText.FOUND_BROKEN) in text
    assert words(CustomerText.SURE_SEEN) in text
    assert words(PageText.CONFIDENCE_SEEN) in words_of(made_page("report", proven, made_sources()))
    assert words(page_text.CUSTOMER_NOT_CHECKED["membrane"]) not in text


def customer_words(result: VisitResult, **sections: Any) -> str:
    return words_of(made_page("customer", result, made_sources(made_document(**sections))))


@pytest.mark.long
def test_next_steps_for_the_customer_follow_what_is_known() -> None:
    found = made_up()
    asked = words(page_text.CUSTOMER_NEXT["low on air"][0])
    assert asked in customer_words(found)
    dry = replace(found, case=replace(found.case, observations={"water at the air valve": "no"}))
    text = customer_words(dry)
    assert asked not in text
    assert words(page_text.CUSTOMER_NEXT_NO_WATER["low on air"][0]) in text
    assert words(page_text.CUSTOMER_NOT_CHECKED["membrane"]) not in text
    text = customer_words(dry, as_left={"precharge": "1.0 bar"})
    assert words(page_text.CUSTOMER_NEXT_CHARGED[0]) in text
    assert words(page_text.CUSTOMER_FOUND_BEFORE["low on air"]) in text
    assert words(page_text.CUSTOMER_FOUND["low on air"]) not in text
    assert words(CustomerText.MEANS_CHARGED) in text
    assert words(page_text.CUSTOMER_NOT_CHECKED["charge"]) not in text
    assert "pumped up" not in text
    plain = customer_words(made_up(LYING, boundary_m=0.1, code="waterlogged"))
    assert words(CustomerText.MEANS_PLAIN) in plain
    assert "rubber" not in plain
    assert "air side" not in plain


@pytest.mark.long
def test_other_tanks_on_the_system_stand_on_both_pages() -> None:
    small = made_up(code="too small")
    assert words(page_text.CUSTOMER_FOUND["too small"]) in customer_words(small)
    others = (ParallelTank(0.018, 1.0e5), ParallelTank(0.025, 0.8e5))
    result = replace(small, case=replace(small.case, parallel=others))
    typed = [{"volume": "18 l", "precharge": "1.0 bar"}, {"volume": "25 l", "precharge": "0.8 bar"}]
    text = customer_words(result, parallel=typed)
    assert words(page_text.CUSTOMER_FOUND["too small"]) not in text
    assert words(CustomerText.FOUND_SMALL_TOGETHER) in text
    assert words(CustomerText.MEANS_SMALL_TOGETHER) in text
    assert words(page_text.CUSTOMER_NOT_CHECKED["others"]) in text
    filed = words_of(made_page("report", result, made_sources(made_document(parallel=typed), wording="uk")))
    said = "Other vessels 18 l with a pre-charge of 1.0 bar, 25 l with a pre-charge of 0.8 bar; as stated, not tapped"
    assert said in filed.replace("\u00a0", " ")


def test_an_open_tank_is_told_apart() -> None:
    open_tank = replace(LYING, kind="open")
    text = customer_words(made_up(open_tank, state="not found", code="cannot tell"))
    assert words(CustomerText.FOUND_OPEN) in text
    assert words(page_text.CUSTOMER_NEXT_OPEN[0]) in text
    assert "cushion. Without" not in text
    assert words(CustomerText.LEFT_OPEN_TITLE) not in text


def test_every_finding_has_its_texts() -> None:
    codes = set(page_text.FINDING)
    assert codes == set(page_text.CUSTOMER_FOUND) == set(page_text.CUSTOMER_MEANS) == set(page_text.CUSTOMER_NEXT)
    assert (
        set(page_text.CONFIDENCE_WORDS)
        == {*page_text.SURE_WORDS, "cannot tell"}
        == {"high", "fair", "low", "cannot tell"}
    )


def test_no_text_uses_the_word_that_means_two_valves() -> None:
    for language in languages():
        assert "PRV" not in (LOCALE / language / "LC_MESSAGES" / "taptest.po").read_text(encoding="utf-8")


def truth(**changes: Any) -> VisitTruth:
    made = VisitTruth("found", 118.0, (), "lost pre-charge", ("low on air",), {})
    return replace(made, **changes)


@pytest.mark.long
def test_known_level_is_shown_where_there_is_one() -> None:
    real = replace(made_up(), simulated=False)
    assert words(PageText.NO_KNOWN_LEVEL) in words_of(made_page("report", real, made_sources()))
    known = "On 2025-03-01 a known level in a drum, 160 mm below its top, was found 4 mm too low."
    text = words_of(made_page("report", real, made_sources(known_level=known)))
    assert known in text
    assert words(PageText.NO_KNOWN_LEVEL) not in text
    measured = words_of(made_page("report", real, made_sources(truth=truth(simulated=False))))
    assert "Measured by other means: the water really ends 118 mm below the top." in measured


def test_truth_of_a_simulation_is_called_so() -> None:
    text = words_of(made_page("report", made_up(), made_sources(truth=truth())))
    assert "In this simulated visit the water really ends 118 mm below the top." in text
    whole = words_of(made_page("report", made_up(), made_sources(truth=truth(state="all air", boundary_mm=None))))
    assert f"In this simulated visit {words(page_text.TRUTH_WHOLE['all air'])}." in whole
