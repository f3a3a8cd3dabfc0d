"""The tank as it was left, held against the need; and what the page for the file says of it and of the job."""

from dataclasses import replace

from taptest.quantities import METRIC
from taptest.visit.as_left import AsLeftCheck, as_left_said
from taptest.visit.meaning import AsLeft
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
