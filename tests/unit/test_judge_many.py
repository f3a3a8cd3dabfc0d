"""Many visits judged: each model once, findings that hold are kept, and a failure costs its own visit."""

import json
import shutil
from pathlib import Path

import pytest

from taptest.cli import main
from taptest.errors import VisitError
from taptest.shell.records import LevelSweep
from taptest.visit import analyse, judge_many, sweeps
from taptest.visit.judge_many import visits_below
from taptest.visit.workers import Where
from tests.made_visits import write_tables


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("many")
    tank, points = write_tables(folder / "from", 8)
    assert main(["import", str(folder / "visits" / "a"), "--tank", str(tank), "--points", str(points)]) == 0
    return folder / "visits"


@pytest.fixture
def shelf(made: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Two visits to one tank, and one that cannot be read."""
    shutil.copytree(made, tmp_path / "visits")
    shutil.copytree(made / "a", tmp_path / "visits" / "deeper" / "b")
    (tmp_path / "visits" / "broken").mkdir()
    (tmp_path / "visits" / "broken" / "visit.json").write_text("{", encoding="utf-8")
    monkeypatch.setattr(analyse, "sweeps_for", lambda case, progress: ((), ()))
    monkeypatch.setenv("TAPTEST_CACHE", str(tmp_path / "models"))
    return tmp_path / "visits"


def test_each_model_is_computed_once_and_only_what_failed_is_done_again(
    shelf: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    computed: list[str] = []

    def model(case: object) -> tuple[tuple[LevelSweep, ...], tuple[str, ...]]:
        computed.append(repr(case))
        return (), ()

    monkeypatch.setattr(sweeps, "sweeps_for", model)
    assert main(["judge", str(shelf), "--workers", "1"]) == 2
    out, err = capsys.readouterr()
    assert len(computed) == 1
    lines = out.splitlines()
    assert [line.split()[-1] for line in lines[:-1]] == [str(shelf / "a"), str(shelf / "deeper" / "b")]
    assert lines[-1].startswith("3 visits, 1 failed")
    assert str(shelf / "broken") in err
    kept = json.loads((shelf / "a" / "judged.json").read_text(encoding="utf-8"))
    assert lines[0].startswith(kept["judged"]["finding"]["code"])

    def never(folder: Path) -> None:
        raise AssertionError(folder)

    monkeypatch.setattr(judge_many, "judged", never)
    shutil.rmtree(shelf / "broken")
    assert main(["judge", str(shelf / "a"), str(shelf), "--workers", "1"]) == 0
    assert capsys.readouterr().out.splitlines()[:-1] == lines[:-1]


def test_models_alone_leave_visits_as_they_are(shelf: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    computed: list[object] = []
    monkeypatch.setattr(sweeps, "sweeps_for", computed.append)
    outcomes = judge_many.judge_many(visits_below([shelf / "a", shelf / "deeper"]), Where(1), models_only=True)
    assert len(computed) == 1
    assert [each.code for each in outcomes] == ["", ""]
    assert not any(each.failed for each in outcomes)
    assert not (shelf / "a" / "judged.json").exists()


def test_what_cannot_be_is_refused(shelf: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (shelf / "empty").mkdir()
    with pytest.raises(VisitError, match="no visits"):
        visits_below([shelf / "empty"])
    assert main(["judge", str(shelf), "--json", "-"]) == 2
    assert "--csv" in capsys.readouterr().err
