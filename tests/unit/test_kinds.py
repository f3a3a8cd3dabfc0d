"""What each kind of tank shows, and that docs/tank-kinds.md says the same."""

from pathlib import Path

import pytest

from taptest.quantities import METRIC
from taptest.tank.kinds import (
    LeftOpen,
    Tank,
    line_shows_share,
    pressure_check_applies,
    what_taps_cannot_show,
    what_taps_show,
)
from taptest.words.tell import tell
from tests.made_cases import made_tank
from tests.said import keys_of

PAGE = (Path(__file__).parents[2] / "docs" / "tank-kinds.md").read_text(encoding="utf-8")
KINDS = [
    made_tank("diaphragm", "top"),
    made_tank("diaphragm", "bottom"),
    made_tank("diaphragm", "top", "horizontal"),
    made_tank("bladder", "bottom"),
    made_tank("plain", "bottom", "horizontal"),
    made_tank("open", "bottom"),
]


@pytest.mark.parametrize("tank", KINDS, ids=lambda t: f"{t.kind} {t.water_end} {t.shape.axis}")
def test_docs_say_what_the_code_says(tank: Tank) -> None:
    texts = what_taps_show(tank) + what_taps_cannot_show(tank)
    assert texts
    for said in texts:
        assert f"- {tell(said, METRIC)}\n" in PAGE
        assert tell(said, METRIC).endswith(".")


def test_open_tank_has_no_pressure_check() -> None:
    assert [pressure_check_applies(tank) for tank in KINDS] == [True, True, True, True, True, False]


def test_line_down_a_lying_diaphragm_tank_shows_no_share() -> None:
    assert [line_shows_share(tank) for tank in KINDS] == [True, True, False, True, True, False]


def test_small_tank_is_said_to_be_small() -> None:
    assert LeftOpen.SMALL_TANK in keys_of(what_taps_cannot_show(made_tank(volume_m3=0.005)))
