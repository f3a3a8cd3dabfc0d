"""The public names: the tutorial runs, a type checker sees the types, and nothing is loaded before it is used."""

import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

import taptest
from taptest.sound.recording import MOST_FLOAT, recording_of

ROOT = Path(__file__).parents[2]
TUTORIAL = (ROOT / "docs" / "tutorial.md").read_text(encoding="utf-8")
BAG = {"kind": "bladder", "volume": "35 l", "diameter": "320 mm", "height": "507 mm", "wall": "1.6 mm"}


@pytest.fixture
def walked(monkeypatch: pytest.MonkeyPatch) -> taptest.JudgedVisit:
    """The tutorial's code, run in a checkout."""
    monkeypatch.chdir(ROOT)
    code = re.findall(r"<!-- tutorial -->\n```python\n(.*?)```", TUTORIAL, re.DOTALL)[0]
    assert sum(bool(line.strip()) for line in code.splitlines()) <= 15
    names: dict[str, object] = {}
    exec(code, names)
    judged = names["judged"]
    assert isinstance(judged, taptest.JudgedVisit)
    return judged


def test_the_tutorial_leads_from_arrays_to_the_finding(
    walked: taptest.JudgedVisit, capsys: pytest.CaptureFixture[str]
) -> None:
    assert walked.judgement.code == "waterlogged"  # the simulated truth of this visit, see its truth.json
    shown = walked._repr_html_()
    assert "<svg" in shown
    assert taptest.as_json(walked)["finding"]["sentence"].split(" ")[0] in shown
    told = taptest.as_json(walked)
    assert told["points"][0]["position_mm"] == 45.0
    kept = taptest.judge_visit(taptest.open_visit("recordings_demo/4-waterlogged"))
    heard = [[point["p_water"], point["taps_used"]] for point in taptest.as_json(kept)["points"]]
    assert [[point["p_water"], point["taps_used"]] for point in told["points"]] == heard


def test_every_step_of_the_tutorials_table_is_there() -> None:
    for name in re.findall(r"taptest\.(\w+)", TUTORIAL):
        assert name in taptest.__all__, name
    for name in taptest.__all__:
        assert getattr(taptest, name) is not None
    assert set(taptest.__all__) <= set(dir(taptest))
    with pytest.raises(AttributeError, match="nothing"):
        taptest.nothing  # type: ignore[attr-defined]  # noqa: B018


def test_importing_it_loads_nothing_else() -> None:
    code = "import sys, taptest; print(sorted({'numpy', 'scipy', 'pydantic', 'matplotlib'} & set(sys.modules)))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


@pytest.mark.long
def test_a_type_checker_sees_the_types(tmp_path: Path, pytestconfig: pytest.Config) -> None:
    script = tmp_path / "script.py"
    kept = pytestconfig.rootpath / ".mypy_cache" / "of a script"  # from run to run
    names = ", ".join(f"taptest.{name}" for name in taptest.__all__)
    script.write_text(
        "import taptest\n"
        f"everything = ({names})\n"
        "depth_m: float | None = taptest.judge_visit(taptest.open_visit('x')).judgement.line.depth_m\n"
        "wrong: int = taptest.describe({'kind': 'bladder'}).units\n"
    )
    done = subprocess.run(
        [
            sys.executable,
            "-m",
            "mypy",
            "--strict",
            "--config-file=",
            "--cache-dir",
            str(kept),
            str(script),
        ],
        capture_output=True,
        text=True,
        check=False,
        cwd=ROOT,
    )
    assert re.findall(r"script\.py:(\d+): error", done.stdout) == ["4"], done.stdout
    assert 'has type "Units"' in done.stdout


def test_what_is_no_sound_is_refused_with_a_cure() -> None:
    quiet = np.zeros(9600, np.float32)
    with pytest.raises(taptest.TaptestError, match="rate_hz"):
        taptest.hear({"one": quiet})
    with pytest.raises(taptest.TaptestError, match=r"one channel, shape \(N,\)"):
        taptest.hear({"one": np.zeros((9600, 2))}, 48_000)
    with pytest.raises(taptest.TaptestError, match="32768"):
        taptest.hear({"one": quiet + 2 * MOST_FLOAT}, 48_000)
    with pytest.raises(taptest.TaptestError, match="silent"):
        taptest.points_of({0.03: quiet}, 48_000)
    assert taptest.hear({"one": quiet}, 48_000)[0].trouble
    with pytest.raises(taptest.TaptestError, match="samples a second"):
        taptest.hear({"one": quiet}, 4)
    with pytest.raises(taptest.TaptestError, match="diameter"):
        taptest.describe(BAG | {"diamete": "3"})


def test_an_array_is_read_as_its_file_is(tmp_path: Path) -> None:
    sound = np.random.default_rng(0).normal(0.0, 0.1, 48_000).astype(np.float32)
    recording = recording_of(sound, 48_000)
    np.testing.assert_array_equal(np.concatenate(list(recording.blocks())), sound)
    part = recording.stretches([-2, 47_999], 4)
    np.testing.assert_array_equal(part, [[0.0, 0.0, sound[0], sound[1]], [sound[-1], 0.0, 0.0, 0.0]])
