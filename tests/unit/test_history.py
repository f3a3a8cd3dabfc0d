"""The history of a tank: which visits belong to it, what is told of them, text, JSON, picture. Visits are made up."""

import io
import json
import shlex
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import matplotlib.image
import numpy as np
import pytest

from taptest.cli import main
from taptest.errors import RecordingError, VisitError
from taptest.report.remarks import TrendText
from taptest.report.trend_figure import history_picture
from taptest.report.trend_words import history_text, trend_sentences
from taptest.statements import Statement
from taptest.visit import judged as judged_module
from taptest.visit.history import History, history_json, read_history
from taptest.visit.judged import JUDGED
from taptest.visit.remarks import HistoryRemark, Lacking
from tests.made_history import SYSTEM, Told, losing, make_history
from tests.said import keys_of, texts, values_of
from tests.unit.test_size import PAGE

DAYS = [date(2021, 3, 10), date(2022, 3, 10), date(2023, 3, 10), date(2024, 3, 10)]
STORY = [
    Told("2021-03-10", 1.02, 0.07, code="as expected"),
    Told("2022-02-20", 0.83, 0.08),
    Told(
        "2022-11-02",
        0.66,
        0.07,
        more={"as_left": {"precharge": "1.0 bar", "pressure": "1.2 bar", "work": "Isolated, drained, charged."}},
    ),
    Told("2023-10-05", 0.90, 0.25, bound="lower", code="as expected"),
    Told("2024-09-01", 0.58, 0.07),
    Told("2025-03-14", 0.50, 0.06),
]


@pytest.fixture
def root(tmp_path: Path) -> Path:
    return make_history(tmp_path / "visits", STORY)


def test_visits_stand_in_order_with_what_was_found_and_left(root: Path) -> None:
    history = read_history(root)
    assert [past.day.isoformat() for past in history.visits] == [told.day for told in STORY]
    assert [past.finding for past in history.visits] == [told.code for told in STORY]
    assert history.visits[2].as_left.precharge_pa == 1e5
    assert (history.reference_pa, history.reference_source) == (1.2e5, "fill valve's setting")
    assert history.trend is not None
    assert history.trend.loss_pa_per_year is not None
    assert history.trend.loss_pa_per_year.median == pytest.approx(0.21e5, abs=0.04e5)
    assert len(history.trend.bands) == 2
    assert history.notes == ()


def test_the_level_follows_the_charge(root: Path) -> None:
    levels = [past.level_m for past in read_history(root).visits]
    # Hanging tank: less air means more water above, and a lower boundary.
    assert levels[0] is not None
    assert levels[1] is not None
    assert levels[5] is not None
    assert levels[0].median < levels[1].median < levels[5].median
    assert levels[0].low < levels[0].median < levels[0].high


def test_the_margin_lies_where_the_line_meets_the_critical_charge(tmp_path: Path) -> None:
    history = read_history(make_history(tmp_path, losing(0.2, DAYS)))
    assert history.trend is not None
    assert history.margin is not None
    _, median, _ = history.margin.years
    assert median is not None
    room = history.trend.charge_now_pa.median - history.margin.critical_pa.median
    assert median == pytest.approx(room / 0.2e5, rel=0.15)
    assert history.trend.charge_now_pa.median == pytest.approx(0.4e5, abs=0.05e5)


def test_another_tank_on_the_system_counts_in_the_margin_and_that_is_said(tmp_path: Path) -> None:
    alone = read_history(make_history(tmp_path / "alone", losing(0.2, DAYS)))
    told = losing(0.2, DAYS)
    other = {"parallel": [{"volume": "8 l", "precharge": "1.0 bar"}]}
    both = read_history(make_history(tmp_path / "both", [*told[:-1], replace(told[-1], more=other)]))
    assert alone.margin is not None
    assert both.margin is not None
    assert both.margin.critical_pa.median < alone.margin.critical_pa.median - 0.05e5
    assert TrendText.OTHER_TANKS not in keys_of(trend_sentences(alone))
    assert Statement(TrendText.OTHER_TANKS, {"count": 1}) in trend_sentences(both)


def test_a_drain_is_a_second_estimate(root: Path) -> None:
    path = root / "05" / JUDGED
    kept = json.loads(path.read_text(encoding="utf-8"))
    air = {"free_air_l": 27.0, "sd_l": 1.0, "contradiction": False, "sentence": "", "estimates": []}
    air["estimates"] = [{"source": name, "free_air_l": 27.0, "sd_l": 1.0} for name in ("sound", "drain")]
    kept["judged"]["air"] = air
    path.write_text(json.dumps(kept), encoding="utf-8")
    ((source, charge),) = read_history(root).visits[5].other_charges
    # 27 l of free air in 18 l at 20 C are 1.5 bar absolute; at 18 C a hundredth less: worked by hand.
    assert source == "drain"
    assert charge.median == pytest.approx((27 / 18 * 291.15 / 293.15 - 1) * 101325, abs=2.0)
    air["contradiction"] = True
    path.write_text(json.dumps(kept), encoding="utf-8")
    assert read_history(root).visits[5].other_charges == ()


def test_what_is_missing_for_the_margin_is_named(tmp_path: Path) -> None:
    system = {key: text for key, text in SYSTEM.items() if key not in ("volume", "relief")}
    history = read_history(make_history(tmp_path, losing(0.2, DAYS), system))
    assert history.margin is None
    assert [key for key in keys_of(history.notes) if isinstance(key, Lacking)] == [
        Lacking.SYSTEM_VOLUME,
        Lacking.RELIEF_SETTING,
    ]


def test_one_visit_is_no_trend(tmp_path: Path) -> None:
    history = read_history(make_history(tmp_path, losing(0.2, DAYS[:1])))
    assert TrendText.LOSS_UNKNOWN in keys_of(trend_sentences(history))
    assert HistoryRemark.LOSS_UNKNOWN in keys_of(history.notes)
    assert history_json(history)["loss_bar_per_year"] is None


def test_visits_that_are_unreadable_undated_or_unjudgeable_are_told(
    root: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    make_history(root / "more", [Told(None, 0.7), Told("2024-01-01", judged=False)])
    (root / "00" / "visit.json").write_text("{", encoding="utf-8")
    (root / "01" / "visit.json").write_text(
        (root / "01" / "visit.json").read_text(encoding="utf-8").replace("1.2 bar", "1.2"), encoding="utf-8"
    )

    def refuse(visit: Any, progress: Any) -> Any:
        raise RecordingError("The file a.wav is no sound file.")

    monkeypatch.setattr(judged_module, "judge_visit", refuse)
    history = read_history(root)
    assert [past.folder for past in history.visits] == ["02", "03", "more/01", "04", "05"]
    assert history.visits[2].finding == "not judged"
    told = " ".join(texts(history.notes))
    for words in (
        "00 was left out",
        "01 was left out",
        "more/00 was left out: it has no date",
        "more/01 has no finding",
    ):
        assert words in told


def test_a_finding_that_is_damaged_inside_is_left_out_with_the_cure(root: Path) -> None:
    path = root / "04" / JUDGED
    kept = json.loads(path.read_text(encoding="utf-8"))
    kept["judged"]["precharge_bar"] = {"median": "much"}
    path.write_text(json.dumps(kept), encoding="utf-8")
    history = read_history(root)
    assert len(history.visits) == 5
    assert JUDGED in values_of(HistoryRemark.LEFT_OUT, history.notes)["sentence"]


def test_several_tanks_are_asked_for(root: Path) -> None:
    path = root / "05" / "visit.json"
    path.write_text(path.read_text(encoding="utf-8").replace("Boiler room", "Attic"), encoding="utf-8")
    with pytest.raises(VisitError, match='several tanks: "Attic" at Mill Lane 4; "Boiler'):
        read_history(root)
    assert len(read_history(root, tank="boiler").visits) == 5
    with pytest.raises(VisitError, match='holds no visits of a tank named "Loft"'):
        read_history(root, tank="Loft")


def test_an_exact_name_goes_before_one_that_holds_it(root: Path) -> None:
    path = root / "05" / "visit.json"
    path.write_text(path.read_text(encoding="utf-8").replace("Boiler room", "Boiler room 2"), encoding="utf-8")
    assert len(read_history(root, tank="boiler ROOM").visits) == 5


def test_json_is_strict_and_in_the_units_of_its_names(root: Path) -> None:
    told = history_json(read_history(root))
    assert json.loads(json.dumps(told, allow_nan=False)) == told
    assert told["visits"][3]["charge_bar"]["bound"] == "lower"
    assert told["visits"][2]["as_left"]["precharge_bar"] == 1.0
    assert told["loss_bar_per_year"]["median"] == pytest.approx(0.21, abs=0.04)
    assert told["margin"]["gone_on"]["interval90"][0] > "2025-03-14"
    assert told["simulated"] is True


def test_a_charge_below_zero_is_said_to_be_gone(tmp_path: Path) -> None:
    visits = [Told("2024-01-10", 1.0), Told("2024-07-10", -0.79, code="waterlogged")]
    text = " ".join(history_text(read_history(make_history(tmp_path, visits))).split())
    assert "as found: waterlogged; 1.20 bar at 20.0 °C; charge hardly any left" in text
    assert "charge 1.00 bar" in text
    assert "-0.79 bar" not in text


def test_american_units_are_answered_in(tmp_path: Path) -> None:
    system = {
        "volume": "32 gal",
        "relief": "30 psi",
        "max_temperature": "180 F",
        "static_head": "20 ft",
        "fill": "17 psi",
    }
    read = {"readings": {"pressure": "17 psi", "water_temperature": "68 F"}, "as_left": {"precharge": "14 psi"}}
    visits = [Told(told.day, told.charge, more=read) for told in losing(0.2, DAYS)]
    text = history_text(read_history(make_history(tmp_path, visits, system)))
    assert "charge 14.5 psi" in text
    assert "charge set to 14.0 psi" in text
    assert " bar" not in text


def test_the_page_prints_what_the_command_prints(
    root: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(root.parent)
    block = PAGE[PAGE.index("$ taptest history") :]
    command, _, printed = block[: block.index("```")].partition("\n")
    assert main(shlex.split(command)[2:]) == 0
    assert capsys.readouterr().out == printed


def drawn(history: History) -> np.ndarray[Any, np.dtype[np.float32]]:
    picture = history_picture(history)
    assert picture.svg.startswith(b"<?xml")
    assert picture.pdf.startswith(b"%PDF")
    return np.asarray(matplotlib.image.imread(io.BytesIO(picture.png)))


@pytest.mark.long
def test_the_picture_shows_the_margin_and_the_settings(root: Path) -> None:
    image = drawn(read_history(root))
    assert image.shape[0] > 1500
    assert image.shape[1] == 2250

    def has(red: int, green: int, blue: int) -> bool:
        return bool(np.any(np.all(np.abs(image[..., :3] * 255 - [red, green, blue]) < 6, axis=-1)))

    assert has(0xB0, 0x00, 0x20)  # relief margin
    assert has(0xD9, 0x73, 0x0D)  # as left
    assert has(0x0B, 0x53, 0x94)  # by the taps


@pytest.mark.long
def test_the_picture_of_little(tmp_path: Path) -> None:
    (tmp_path / "one").mkdir()
    drawn(read_history(make_history(tmp_path / "one", losing(0.2, DAYS[:1]))))
    history = read_history(make_history(tmp_path / "none", [Told("2021-03-10"), Told("2022-03-10")], {}))
    assert history.trend is None
    assert history_picture(history).svg == history_picture(history).svg
    # Letters that the font lacks would be warnings, which are errors here; long names stay on the page.
    drawn(replace(history, tank="\u7ba1\u7406\u5ba4 " * 40, site="$x_1$ \x07 <&>"))


@pytest.mark.long
def test_the_command_writes_json_and_pictures(root: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["history", str(root), "--json", "-", "--out", str(tmp_path / "out")]) == 0
    assert json.loads(capsys.readouterr().out)["tank"] == "Boiler room"
    assert {path.name for path in (tmp_path / "out").iterdir()} >= {"history.png", "history.svg"}


def test_list_pack_and_unpack(root: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["list", str(root), "--finding", "as expected", "--since", "2023-01-01"]) == 0
    out = capsys.readouterr().out
    assert "2023-10-05  as expected" in out
    assert "1 visit." in out
    assert main(["list", str(root), "--rebuild", "--csv", str(tmp_path / "t.csv")]) == 0
    assert len((tmp_path / "t.csv").read_text(encoding="utf-8").splitlines()) == 7
    capsys.readouterr()
    assert main(["pack", str(root / "00"), str(tmp_path / "a.zip")]) == 0
    assert main(["unpack", str(tmp_path / "a.zip"), str(root / "again")]) == 0
    assert main(["unpack", str(tmp_path / "a.zip"), str(root / "again")]) == 2
    assert "is not overwritten" in capsys.readouterr().err
    assert main(["list", str(root), "--since", "2021-03-10", "--until", "2021-03-10"]) == 0
    assert "2 visits." in capsys.readouterr().out


def test_a_history_without_a_line_says_so(tmp_path: Path) -> None:
    visits = [Told(day.isoformat(), bar) for day, bar in zip(DAYS, (1.0, -0.8, 1.8, 0.3), strict=True)]
    history = read_history(make_history(tmp_path, visits))
    assert history.margin is None
    assert TrendText.NO_TREND in keys_of(trend_sentences(history))
    assert HistoryRemark.NO_TREND in keys_of(history.notes)
    assert history_json(history)["charge_now_bar"] is None
    drawn(history)
