"""Leading an onset round: what to set next, when it is enough, what is never asked for, and what is kept."""

from pathlib import Path

import numpy as np
import pytest

from taptest.capture.onset_lead import BEYOND_PA, STEP_PA, Lead, OnsetLead
from taptest.commands.record_onset import record_onset
from taptest.errors import LineError, VisitError
from taptest.quantities import STANDARD_ATMOSPHERE_PA
from taptest.visit.files import read_visit
from taptest.visit.intake import Sources, import_visit
from taptest.water.fluids import Fluid
from tests.made_cases import made_case, made_tank
from tests.made_visits import write_tables
from tests.sources import ArraySource
from tests.tapping import Hand
from tests.unit.test_onset import spectrum


def lead_to_the_end(lead: OnsetLead, start_pa: float, onset_pa: float, seed: int = 1) -> list[float]:
    """Follow the advice on a tank with an onset; returns the pressures."""
    rng, shown = np.random.default_rng(seed), start_pa
    went = []
    while True:
        went.append(shown)
        share = max(0.0, 1 - (onset_pa + STANDARD_ATMOSPHERE_PA) / (shown + STANDARD_ATMOSPHERE_PA))
        lead.add(shown, [spectrum(share, rng), spectrum(share, rng)])
        target = lead.next_pa()
        if target is None:
            return went
        shown = target


def test_water_is_let_out_until_the_onset_is_placed() -> None:
    lead = OnsetLead(made_case(made_tank()), "down")
    went = lead_to_the_end(lead, 1.5e5, 1.15e5)
    assert lead.enough
    assert lead.evidence is not None
    assert lead.evidence.interval90_pa[1] == pytest.approx(1.15e5, abs=0.05e5)
    assert 1.15e5 - 4 * BEYOND_PA < min(went) < 1.15e5
    assert [each.key for each in lead.advice()] == [Lead.HEARD, Lead.ENOUGH]


def test_where_nothing_changes_it_ends_at_the_limit_and_never_beyond() -> None:
    case = made_case(made_tank(), system={"relief_pa": 2.5e5}, pressure_pa=1.2e5)
    up = OnsetLead(case, "up")
    assert max(lead_to_the_end(up, 1.2e5, 4e5)) <= 2.0e5  # half a bar below the relief setting
    assert up.advice()[-1].key is Lead.LIMIT
    down = OnsetLead(case, "down")
    assert min(lead_to_the_end(down, 1.2e5, 4e5)) >= 0.7e5  # the static head, so that no air is drawn in
    assert 1.2e5 - down.shown_pa[-1] > 2 * STEP_PA


@pytest.mark.parametrize(
    ("system", "read", "way", "says"),
    [
        ({"fluid": Fluid("propylene glycol", 0.3)}, {}, "up", "glycol, which is not topped up with water"),
        ({"relief_pa": None}, {}, "up", "relief setting isn't known"),
        ({"relief_pa": 1.7e5}, {"pressure_pa": 1.2e5}, "up", "no room to raise the fill"),
        ({}, {"state": "hot"}, "down", "Let it cool down"),
    ],
)
def test_what_is_not_safe_is_refused(system: dict[str, object], read: dict[str, object], way: str, says: str) -> None:
    with pytest.raises(VisitError, match=says):
        OnsetLead(made_case(made_tank(), system=system, **read), way)  # type: ignore[arg-type]


def test_a_bag_has_no_onset() -> None:
    with pytest.raises(LineError, match="enter a measured drain instead"):
        OnsetLead(made_case(made_tank("bladder", "bottom")), "down")


def test_each_reading_is_kept_at_once(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    write_tables(tmp_path / "from", 3)
    folder = tmp_path / "visit"
    import_visit(folder, Sources(tmp_path / "from/tank.toml", tmp_path / "from/points.csv"))
    typed = iter(["nonsense", "1.30 bar", "1.25", ""])
    taps = iter([5, 2])  # practice first

    def source() -> ArraySource:
        return ArraySource(Hand(mark=9).quiet(2.5).taps(next(taps)).quiet(0.5).sound())

    assert record_onset(folder, "down", source, lambda _: next(typed)) == 2
    (kept,) = read_visit(folder).document.rounds
    assert (kept.state, [each.pressure for each in kept.onset]) == ("let down", ["1.30 bar", "1.25 bar"])
    said = capsys.readouterr().out
    assert "Let out a little water, until the gauge shows about 1.25 bar" in said
    assert "Fill up to the cold pressure again." in said
