"""The JSON of a judged visit: its keys and units are a contract with other programs."""

import json
from dataclasses import replace

import numpy as np

from taptest.finding.compare import Relief
from taptest.finding.records import Forecast, Interval, PrechargeEstimate
from taptest.line.records import LineReading
from taptest.statements import Statement
from taptest.visit.result import as_json
from taptest.water.log import AirEstimate, combine
from tests.made_up import made_up

CONTRACT = {"schema", "finding", "boundary", "points", "taps", "expected", "water_l", "precharge_bar", "forecast"}
KEYS = {
    "": CONTRACT
    | {"probabilities", "needed_precharge_bar", "reference_precharge", "lost_air", "air", "rounds"}
    | {"marks_left_mm"},
    "finding": {"code", "sentence", "confidence", "reasons", "not_checked", "next_checks", "causes"}
    | {"speaks_against", "unseen_bar", "red_flags", "p_shut", "cause_notes"}
    | {f"{name}_as_statements" for name in ("reasons", "not_checked", "next_checks")}
    | {"sentence_as_statement"},
    "boundary": {"state", "position_mm", "interval90_mm", "p_all_air", "p_all_water"}
    | {"p_inverted", "p_two", "p_no_contact", "inverted", "narrows"},
    "expected": {"position_mm", "interval90_mm", "water_l", "water_share"},
    "water_l": {"median", "interval90"},
    "precharge_bar": {"median", "interval90", "bound"},
    "forecast": {"hot_pressure_bar", "relief", "relief_as_statement", "temperature_c", "p_may_weep", "p_opens"},
}


def test_the_keys_are_those_of_the_contract() -> None:
    content = as_json(made_up())
    for place, keys in KEYS.items():
        assert set(content[place] if place else content) == keys
    assert set(content["points"][0]) == {"position_mm", "p_water", "taps_used", "taps_rejected", "remark"}
    assert set(content["taps"][0]) == {"file", "onset_s", "used", "why_not"}
    assert set(content["finding"]["causes"][0]) == {"cause", "weight", "because", "because_as_statement", "check"}


def test_units_are_those_in_the_names() -> None:
    content = as_json(made_up(boundary_m=0.11))
    assert content["boundary"]["position_mm"] == 110.0
    assert content["water_l"] == {"median": 6.2, "interval90": [5.0, 7.8]}
    assert content["precharge_bar"] == {"median": 0.45, "interval90": [0.2, 0.7], "bound": None}
    assert content["forecast"]["hot_pressure_bar"]["median"] == 2.6
    assert content["taps"][1] == {"file": "sound/point01.wav", "onset_s": 1.75, "used": False, "why_not": "clipped"}


def test_what_is_not_known_is_null_and_the_text_is_strict_json() -> None:
    result = made_up(state="not found", code="cannot tell")
    bare = replace(result.judgement, expected=None, water_m3=None, precharge=None, forecast=None, causes=())
    points = (replace(result.points[0], p_water=None), replace(result.points[1], p_water=float("nan")))
    content = as_json(replace(result, judgement=bare, points=points))
    for key in ("expected", "water_l", "precharge_bar", "forecast"):
        assert content[key] is None
    assert content["boundary"]["position_mm"] is None
    assert [point["p_water"] for point in content["points"]] == [None, None]
    assert json.loads(json.dumps(content, allow_nan=False)) == content


def test_no_water_expected_keeps_the_share() -> None:
    result = made_up()
    assert result.judgement.expected is not None
    dry = replace(result.judgement, expected=replace(result.judgement.expected, depth_m=None))
    content = as_json(replace(result, judgement=dry))
    assert content["expected"]["position_mm"] is None
    assert content["expected"]["water_share"] == 0.16


def test_numbers_of_numpy_become_plain_ones() -> None:
    result = made_up()
    reading: LineReading = replace(
        result.judgement.line, depth_m=np.float64(0.1), interval90_m=(np.float64(0.09), 0.12)
    )
    content = as_json(replace(result, judgement=replace(result.judgement, line=reading)))
    assert type(content["boundary"]["position_mm"]) is float
    assert content["boundary"]["interval90_mm"] == [90.0, 120.0]


def test_remarks_and_assumptions_are_told() -> None:
    content = as_json(made_up(remarks=("The file p01.wav ends early.",)))
    assert "The file p01.wav ends early." in content["finding"]["reasons"]
    assert any("wall" in sentence for sentence in content["finding"]["not_checked"])


def test_what_the_readings_say_besides_is_told() -> None:
    result = made_up()
    air = combine([AirEstimate("sound", 0.030, 0.002), AirEstimate("drain", 0.010, 0.001)])
    charge = PrechargeEstimate(
        Interval(0.4e5, 0.2e5, 0.6e5), None, Interval(0.3, 0.2, 0.4), Interval(0.005, 0.004, 0.006)
    )
    forecast = Forecast(Interval(2.6e5, 2.3e5, 2.9e5), Statement(Relief.MAY_WEEP), 80.0, 0.7, 0.2)
    told = replace(
        result.judgement,
        air=air,
        precharge=charge,
        forecast=forecast,
        probabilities={"low on air": 0.8, "as expected": 0.2},
        needed_precharge_pa=1.1e5,
        reference_precharge_pa=1e5,
        reference_source="stated",
    )
    content = as_json(replace(result, judgement=told))
    assert content["air"]["contradiction"] is True
    assert content["air"]["free_air_l"] is None
    assert [each["free_air_l"] for each in content["air"]["estimates"]] == [30.0, 10.0]
    assert content["lost_air"] == {
        "share": {"median": 0.3, "interval90": [0.2, 0.4]},
        "litres": {"median": 5.0, "interval90": [4.0, 6.0]},
    }
    assert (content["forecast"]["p_may_weep"], content["forecast"]["temperature_c"]) == (0.7, 80.0)
    assert content["probabilities"] == {"low on air": 0.8, "as expected": 0.2}
    assert content["needed_precharge_bar"] == 1.1
    assert content["reference_precharge"] == {"bar": 1.0, "source": "stated"}
