"""A second round led from the first: which marks, which pressure, and what is kept."""

from pathlib import Path

import numpy as np
import pytest

from taptest.commands import record_again as module
from taptest.commands.record_again import record_again
from taptest.finding.compare import compare
from taptest.finding.judge import COST
from taptest.finding.planner import FEW_MARKS, Lead, lead_round
from taptest.visit.files import read_visit
from taptest.visit.intake import Sources, import_visit
from tests.made_cases import heard, made_case, made_tank
from tests.made_visits import write_tables
from tests.sources import ArraySource
from tests.tapping import Hand

MARKS = tuple(np.arange(0.03, 0.34, 0.02))


def leading(**more: object):  # type: ignore[no-untyped-def]
    case = made_case(made_tank("plain", "bottom"), **{"pressure_pa": 1.3e5, **more})  # type: ignore[arg-type]
    comparison = compare(case, heard(case.tank, "found", 0.2, sd_m=0.03), np.random.default_rng(0))
    return lead_round(case, comparison, COST, MARKS)


def test_the_marks_lie_where_the_water_should_end_and_at_both_ends() -> None:
    lead = leading()
    assert lead is not None
    assert len(lead.marks_m) == FEW_MARKS
    assert lead.marks_m == tuple(sorted(lead.marks_m))
    assert (lead.marks_m[0], lead.marks_m[-1]) == pytest.approx((MARKS[0], MARKS[-1]))
    low, high = (float(lead.said[1].values[name]) for name in ("low_m", "high_m"))
    assert sum(low - 0.02 <= mark <= high + 0.02 for mark in lead.marks_m) >= 3


def test_a_raise_stays_clear_of_the_relief_setting_and_a_hot_system_is_left_alone() -> None:
    lead = leading(system={"relief_pa": 2.2e5})
    assert lead is not None
    if lead.said[0].key is Lead.RAISE:
        assert float(lead.said[0].values["target_pa"]) <= 1.7e5
    assert leading(state="hot") is None


def test_the_round_is_kept_with_its_pressure(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    write_tables(tmp_path / "from", 4)
    folder = tmp_path / "visit"
    import_visit(folder, Sources(tmp_path / "from/tank.toml", tmp_path / "from/points.csv"))
    lead = leading()
    assert lead is not None
    monkeypatch.setattr(module, "_leading", lambda _: lead)
    taps = Hand().quiet(2.5).taps(3).quiet(0.7)
    for _ in lead.marks_m:
        taps.taps(3)
    count = record_again(folder, lambda: ArraySource(taps.quiet(0.5).sound()), lambda _: "1.80 bar")
    (kept,) = read_visit(folder).document.rounds
    assert count == len(kept.points) == len(lead.marks_m)
    assert kept.readings.pressure == "1.80 bar"
    assert [point.position_mm for point in kept.points] == pytest.approx([1000 * mark for mark in lead.marks_m])
