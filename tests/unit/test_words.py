"""A judged visit in words for the terminal."""

import re
from dataclasses import replace

import pytest

from taptest.finding.causes import Facts, ranked_causes
from taptest.finding.records import Bound, Cause, PrechargeEstimate
from taptest.quantities import US
from taptest.report.remarks import CauseText, Figure, RowName
from taptest.report.words import WIDTH, boundary_of, cause_lines, figure_rows, finding_text
from taptest.statements import Statement
from taptest.visit.remarks import PointRemark
from taptest.words.tell import tell, text_of
from tests.made_up import made_up
from tests.said import texts


def test_the_finding_comes_first_and_everything_is_told() -> None:
    result = made_up(remarks=("The file p01.wav ends early.",))
    text = finding_text(result)
    lines = text.splitlines()
    assert lines[0] == "Boiler room, left of the door, 2025-03-14 (simulated data)"
    assert lines[2] == "LOW ON AIR"
    judgement = result.judgement
    joined = " ".join(text.split())
    for sentence in (
        judgement.says,
        *judgement.reasons,
        *judgement.next_checks,
        *judgement.not_checked,
        *result.assumptions,
        *result.remarks,
        judgement.causes[0].because,
    ):
        assert tell(sentence, result.units) in joined
    assert max(map(len, lines)) <= WIDTH


def test_numbers_are_in_the_units_of_the_user() -> None:
    text = finding_text(made_up(units=US))
    assert "4 5/16 in (3 13/16 to 4 15/16 in)" in text
    assert "1.64 gal (1.32 to 2.06 gal)" in text
    assert "6.5 psi (2.9 to 10.2 psi)" in text
    assert " mm" not in text.split("Points")[1]


@pytest.mark.parametrize(
    ("bound", "said"),
    [
        ("lower", Statement(Figure.AT_LEAST_ABOUT, {"low_pa": 0.45e5})),
        ("upper", Statement(Figure.AT_MOST_ABOUT, {"high_pa": 0.45e5})),
    ],
)
def test_a_one_sided_charge_is_said_so(bound: Bound, said: Statement) -> None:
    result = made_up()
    assert result.judgement.precharge is not None
    charge = PrechargeEstimate(result.judgement.precharge.pressure_pa, bound)
    told = replace(result, judgement=replace(result.judgement, precharge=charge))
    assert (RowName.PRE_CHARGE, said) in figure_rows(told)


@pytest.mark.parametrize(
    ("state", "key"),
    [("all air", Figure.ALL_AIR), ("all water", Figure.ALL_WATER), ("not found", Figure.UNKNOWN)],
)
def test_whole_states_are_said(state: str, key: Figure) -> None:
    assert text_of(key, "en_US") in finding_text(made_up(state=state))  # type: ignore[arg-type]


def test_a_point_without_taps_says_why() -> None:
    result = made_up()
    first = replace(result.points[0], p_water=None, taps_used=0, taps_rejected=2, remark=Statement(PointRemark.NO_TAP))
    text = finding_text(replace(result, points=(first, *result.points[1:])))
    assert f"0 taps, 2 rejected  {text_of(PointRemark.NO_TAP, 'en_US')}" in text


def test_cannot_tell_is_not_followed_by_how_sure_that_is() -> None:
    text = finding_text(made_up(state="not found", code="cannot tell"))
    assert "\nCANNOT TELL\n" in text
    assert "Confidence" not in text
    assert "Confidence: fair." in finding_text(made_up())


def test_one_tap_is_one_tap() -> None:
    result = made_up()
    points = (replace(result.points[0], taps_used=1, taps_rejected=0, remark=None), *result.points[1:])
    assert re.search(r"1 tap$", finding_text(replace(result, points=points)), re.MULTILINE)


def test_causes_with_the_same_reason_stand_together_and_those_without_one_in_a_sentence() -> None:
    reason = "The taps find the water where it is expected."
    causes = (
        Cause("fill valve creeping", 0.40, reason, supported=True),
        Cause("gauge error", 0.25, "The gauge does not show zero when open.", supported=True),
        Cause("mains expansion through the fill", 0.20, reason, supported=True),
        Cause("waterlogged tank", 0.08, "Against it: the tank feels light."),
        Cause("lost pre-charge", 0.05, "Against it: the tank feels light."),
        Cause("pump location", 0.02, "Nothing observed so far speaks for or against it."),
    )
    assert texts(cause_lines(causes, "us")) == [
        f"Fill valve creeping 40 %, mains expansion through the fill 20 %: {reason}",
        "Gauge error 25 %: The gauge does not show zero when open.",
        "Nothing observed so far speaks for the others: waterlogged tank 8 %, lost pre-charge 5 %.",
    ]


def test_without_evidence_no_cause_is_put_forward() -> None:
    [said] = cause_lines(ranked_causes(Facts()), "us")
    assert said.key is CauseText.NONE_YET
    names = said.values["causes"]
    assert isinstance(names, tuple)
    assert names[0] == Statement(
        CauseText.WEIGHED, {"cause": "lost pre-charge", "weight_share": ranked_causes(Facts())[0].weight}
    )


def test_what_is_not_known_is_left_out() -> None:
    result = made_up()
    bare = replace(result.judgement, expected=None, water_m3=None, precharge=None, forecast=None, causes=())
    text = finding_text(replace(result, judgement=bare, visited_on=None, name=""))
    assert text.startswith("Tank without a name")
    for word in ("Expected", "Water held", "Pre-charge", "When hot", "Possible causes"):
        assert f"\n{word}" not in text


def test_words_follow_the_country_but_not_what_was_typed() -> None:
    result = replace(made_up(), name="Expansion tank 2")
    us, uk = finding_text(result), finding_text(result, "uk")
    assert "relief valve" in us
    assert "relief valve" not in uk
    assert "safety valve" in uk
    assert uk.startswith("Expansion tank 2")
    assert all(len(line) <= WIDTH for line in uk.splitlines() if not line.startswith("When hot"))


def test_a_line_that_names_no_state_still_tells_between_what_depths_the_water_ends() -> None:
    result = made_up()
    line = result.judgement.line
    open_line = replace(line, state="not found", depth_m=None, interval90_m=None, narrows=True)
    told = replace(result, judgement=replace(result.judgement, line=open_line, boundary_state="not found"))
    assert boundary_of(told).key is Figure.SOMEWHERE
    unread = replace(told, judgement=replace(told.judgement, line=replace(open_line, narrows=False)))
    assert boundary_of(unread).key is Figure.UNKNOWN
    inverted = replace(result, judgement=replace(result.judgement, line=replace(line, inverted=True)))
    assert boundary_of(inverted).key is Figure.INVERTED


def test_a_shell_that_rings_all_over_is_not_said_to_be_untold() -> None:
    """As with a cold bag at its charge: no state is named, and yet something was heard."""
    result = made_up()
    line = result.judgement.line
    rings = replace(line.posterior, mass=0.0 * line.posterior.mass, p_all_air=0.6, p_no_contact=0.35)
    heard = replace(line, state="not found", depth_m=None, interval90_m=None, posterior=rings)
    told = replace(result, judgement=replace(result.judgement, line=heard, boundary_state="not found"))
    assert boundary_of(told).key is Figure.RINGS_ALL_OVER
