"""The tank as it was left, held against the need; and what the page for the file says of it and of the job."""

import io
from dataclasses import replace

from pypdf import PdfReader

from taptest.finding.keys import Level, Step
from taptest.finding.records import RoundFound
from taptest.finding.wording import Told
from taptest.quantities import METRIC
from taptest.report.past import PAST, in_the_past
from taptest.statements import Statement
from taptest.visit.as_left import AsLeftCheck, as_left_said
from taptest.visit.meaning import AsLeft
from taptest.visit.result import RoundResult, VisitResult
from taptest.words.tell import tell
from tests.made_pages import made_document, made_page, made_sources, words_of
from tests.made_up import made_up


def test_a_charge_below_the_need_is_said_with_what_is_missing() -> None:
    (said,) = as_left_said(AsLeft(pressure_pa=1.2e5, precharge_pa=0.5e5), 0.99e5)
    assert said.key is AsLeftCheck.TOO_LOW
    text = tell(said, METRIC)
    assert "0.50 bar is too low: the system needs 0.99 bar" in text
    assert "add 0.49 bar" in text


def test_a_charge_that_serves_is_said_to() -> None:
    left = AsLeft(pressure_pa=1.2e5, precharge_pa=1.0e5)
    assert [each.key for each in as_left_said(left, 0.99e5)] == [AsLeftCheck.ENOUGH]
    # As near as a gauge is read.
    assert [each.key for each in as_left_said(replace(left, precharge_pa=0.96e5), 0.99e5)] == [AsLeftCheck.ENOUGH]


def test_a_charge_above_the_pressure_is_said() -> None:
    keys = [each.key for each in as_left_said(AsLeft(pressure_pa=1.0e5, precharge_pa=1.5e5), 0.99e5)]
    assert keys == [AsLeftCheck.ENOUGH, AsLeftCheck.ABOVE_PRESSURE]


def test_without_a_charge_or_a_need_nothing_is_said() -> None:
    assert as_left_said(AsLeft(pressure_pa=1.0e5), 0.99e5) == ()
    assert as_left_said(AsLeft(precharge_pa=1.0e5), None) == ()


def test_the_page_for_the_file_speaks_of_the_tank_as_found_once_work_was_done() -> None:
    document = made_document(
        visit={"customer": "B. Example", "job": "4711", "next_visit": "autumn 2026"},
        tank={"maker": "Sample Works", "model": "S 18"},
        as_left={"precharge": "1.0 bar", "work": "Drained and pumped up."},
    )
    page = words_of(made_page("report", made_up(), made_sources(document)))
    for text in ("B. Example", "4711", "autumn 2026", "Sample Works S 18", "As found: low on air", "as it was found"):
        assert text in page, text
    before = words_of(made_page("report", made_up(), made_sources()))
    assert "As found: low on air" not in before
    assert "Customer" not in before


def waterlogged() -> VisitResult:
    """A waterlogged tank that should be pumped up."""
    result = made_up(code="waterlogged", state="all water")
    steps = (Statement(Step.RECHARGE_AS_BEFORE), Statement(Step.TAP_HOT))
    says = Statement(Told.WATERLOGGED, {"level": Statement(Level.DULL)})
    return replace(result, judgement=replace(result.judgement, says=says, next_checks=steps))


def test_a_repaired_tank_was_waterlogged_and_needs_no_pumping_up() -> None:
    work = {"precharge": "1.0 bar", "pressure": "1.3 bar", "work": "Drained and pumped up."}
    page = words_of(made_page("report", waterlogged(), made_sources(made_document(as_left=work))))
    for text in (
        "The tank was waterlogged: the shell was dull all over, so hardly any air was left.",
        "Work done: Drained and pumped up.",
        "Now: pre-charge 1.0 bar, 1.3 bar at the gauge.",
        "Tap the same points again when the system is hot",
    ):
        assert text in page, text
    assert "is waterlogged" not in page
    assert "Pump it up" not in page
    before = words_of(made_page("report", waterlogged(), made_sources()))
    assert "is waterlogged" in before
    assert "Pump it up" in before


def test_every_finding_has_its_past() -> None:
    for key, past in PAST.items():
        assert set(past.needs) <= set(key.needs), key
    assert in_the_past("A sentence of an error.") == "A sentence of an error."


def test_a_tank_that_was_tapped_again_as_left_is_shown_before_and_after() -> None:
    good = made_up(code="as expected", boundary_m=0.06)
    told = good.judgement
    found = RoundFound(told.expected, told.water_m3, told.line, "as expected", "The tank works as expected.")
    left = RoundResult("after pumping up", "as left", False, good.case, good.points, (), found)
    document = made_document(as_left={"precharge": "1.0 bar", "pressure": "1.3 bar"})
    result = replace(waterlogged(), rounds=(left,))
    for form in ("report", "customer"):
        pages = PdfReader(io.BytesIO(made_page(form, result, made_sources(document)))).pages
        assert len(pages) == 2
        second = " ".join(pages[1].extract_text().split())
        assert "Before and after" in second
        assert "Mill Road 4, cellar · left of the door · 2025-03-14" in second
        assert "none: water everywhere 60 mm (48 to 76 mm)" in second
        assert "As left: The tank works as expected." in second
    hot = replace(left, state="hot")
    pdf = made_page("report", replace(result, rounds=(hot,)), made_sources(document))
    assert len(PdfReader(io.BytesIO(pdf)).pages) == 1
