"""The commands: what they print, write, refuse. Bad input ends in one sentence and exit code 2; nothing is lost."""

import json
import os
import shutil
import signal
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import taptest
from taptest.cli import COMMANDS, main
from taptest.commands import demo
from taptest.commands.console import Bar, counted
from taptest.finding.records import FindingCode
from taptest.report import figures, page
from taptest.simulate.truth import VisitTruth, write_truth
from taptest.sound.recording import write_recording
from taptest.visit import analyse, reading
from tests.made_up import made_up
from tests.made_visits import RATE, TANK, write_tables


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("cli")
    tank, points = write_tables(folder / "from", 8)
    assert main(["import", str(folder / "cellar"), "--tank", str(tank), "--points", str(points), "--simulated"]) == 0
    return folder


@pytest.fixture
def folder(made: Path, tmp_path: Path) -> Path:
    shutil.copytree(made, tmp_path / "work")
    return tmp_path / "work"


@pytest.fixture(autouse=True)
def _no_model(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(analyse, "sweeps_for", lambda case, progress: ((), ()))


def refused(capsys: pytest.CaptureFixture[str], *arguments: object) -> str:
    """Run a command that must end in one sentence and exit code 2; returns the sentence."""
    capsys.readouterr()
    assert main([str(argument) for argument in arguments]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith("taptest: ")
    assert err.count("\n") == 1
    assert err.rstrip().endswith((".", "?"))
    return err


def state_of(folder: Path) -> dict[str, bytes]:
    return {str(path.relative_to(folder)): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def test_help_starts_without_numpy() -> None:
    code = (
        "import sys, taptest.cli\n"
        "try: taptest.cli.main(['--help'])\n"
        "except SystemExit: pass\n"
        "heavy = {'numpy', 'scipy', 'pydantic', 'matplotlib', 'soundfile', 'librosa'} & set(sys.modules)\n"
        "assert not heavy, heavy"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    for name, _, line in COMMANDS:
        assert name in done.stdout
        assert line in " ".join(done.stdout.split())


@pytest.mark.parametrize("name", [name for name, _, _ in COMMANDS])
def test_every_command_explains_itself_with_examples(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as stopped:
        main([name, "--help"])
    assert stopped.value.code == 0
    out = capsys.readouterr().out
    assert f"taptest {name}" in out.split("examples:")[1]
    assert max(map(len, out.splitlines())) <= 120


def test_no_command_prints_the_help(capsys: pytest.CaptureFixture[str]) -> None:
    assert main([]) == 0
    assert "examples:" in capsys.readouterr().out


def test_judge_prints_the_finding(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["judge", str(folder / "cellar")]) == 0
    brief = capsys.readouterr().out
    assert brief.startswith("Cellar, ")
    assert "(simulated data)" in brief
    assert "ext: " in brief
    assert len(brief.splitlines()) <= 14, brief  # ten and what a long sentence takes
    assert "Points" not in brief
    assert main(["judge", str(folder / "cellar"), "--full"]) == 0
    out = capsys.readouterr().out
    assert out.startswith("Cellar, ")
    for part in ("Boundary", "Next", "Not checked", "Points", "does not replace a pressure check"):
        assert part in out


def test_judge_prints_json_alone(folder: Path, capfd: pytest.CaptureFixture[str]) -> None:
    assert main(["judge", str(folder / "cellar"), "--json", "-"]) == 0
    content = json.loads(capfd.readouterr().out)
    assert len(content["points"]) == 8


def test_judge_writes_json_beside_the_text(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["judge", str(folder / "cellar"), "--json", str(folder / "finding.json")]) == 0
    assert "Cellar, " in capsys.readouterr().out
    assert json.loads((folder / "finding.json").read_text(encoding="utf-8"))["schema"] == 1


def test_demo_sets_findings_beside_the_truth(
    folder: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(demo, "demo_folders", lambda: [folder / "cellar"])
    main(["judge", str(folder / "cellar"), "--json", str(folder / "finding.json")])
    code = json.loads((folder / "finding.json").read_text(encoding="utf-8"))["finding"]["code"]
    for findings, right, exit_code in (((code,), "right", 0), (("membrane failed",), "WRONG", 1)):
        backing = ("water",) * 4 + ("air",) * 4
        write_truth(folder / "cellar", VisitTruth("found", 157.5, backing, "made up", findings, {}))
        capsys.readouterr()
        assert main(["demo", "--out", str(folder / "pictures")]) == exit_code
        out = capsys.readouterr().out
        assert right in out
        assert f"{1 - exit_code} of 1 findings are right or rightly left open" in out
        assert (folder / "pictures" / "cellar.png").read_bytes().startswith(b"\x89PNG")
        assert (folder / "pictures" / "cellar-report.pdf").read_bytes().startswith(b"%PDF")
        # The same visit is not drawn twice.
        monkeypatch.setattr(figures, "boundary_picture", lambda result: figures.Picture(b"\x89PNG", b"", b""))
        monkeypatch.setattr(page, "report_pdf", lambda result, sources: b"%PDF")


@pytest.mark.parametrize(
    ("code", "against", "findings", "how"),
    [
        ("as expected", False, ("as expected",), "right"),
        ("cannot tell", False, ("as expected",), "rightly left open"),
        ("cannot tell", True, ("as expected",), "WRONG"),
        ("cannot tell", None, ("as expected",), "WRONG"),
        ("cannot tell", True, ("low on air",), "rightly left open"),
        ("cannot tell", False, ("low on air",), "WRONG"),
        ("as expected", False, ("low on air",), "WRONG"),
    ],
)
def test_demo_takes_no_evasion_for_an_answer(
    code: FindingCode, against: bool | None, findings: tuple[str, ...], how: str
) -> None:
    judgement = replace(made_up().judgement, code=code, speaks_against=against)
    assert demo.compared(judgement, VisitTruth("all air", None, (), "made up", findings, {})) == how


@pytest.mark.parametrize("encoding", ["cp1252", "ascii", "utf-8"])
def test_a_console_without_the_letters_does_not_fail(folder: Path, encoding: str) -> None:
    path = folder / "cellar" / "visit.json"
    path.write_text(path.read_text(encoding="utf-8").replace("Cellar", "膨張タンク Größe ½"), encoding="utf-8")
    environment = {**os.environ, "PYTHONIOENCODING": encoding, "TAPTEST_CACHE": str(folder / "cache")}
    # A lying diaphragm tank is read without the model, which is not to be computed here.
    path.write_text(path.read_text(encoding="utf-8").replace('"vertical"', '"horizontal"'), encoding="utf-8")
    command = [sys.executable, "-m", "taptest", "judge", str(folder / "cellar")]
    done = subprocess.run(command, capture_output=True, env=environment, check=False)
    assert done.returncode == 0, done.stderr
    first = done.stdout.decode(encoding).splitlines()[0]
    assert ("膨張タンク" in first) == (encoding == "utf-8")
    assert ("½" in first) == (encoding != "ascii")


def test_a_reader_that_goes_away_is_no_error(folder: Path) -> None:
    command = f'"{sys.executable}" -m taptest --help | head -n 1'
    done = subprocess.run(command, shell=True, capture_output=True, text=True, check=True)
    assert done.stderr == ""


# --- bad input, one test each ---


def broken(name: str) -> bytes:
    contents = {
        "text": b"this is a text, not a sound\n" * 40,
        "empty": b"",
        "truncated": b"RIFF\x24\x00\x00\x00WAVEfmt ",
    }
    return contents[name]


@pytest.mark.parametrize("name", ["text", "empty", "truncated"])
def test_a_file_that_is_no_sound(name: str, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (folder / "cellar/sound/p03.wav").write_bytes(broken(name))
    before = state_of(folder)
    assert "p03.wav" in refused(capsys, "judge", folder / "cellar")
    assert state_of(folder) == before


@pytest.mark.parametrize("name", ["text", "empty", "truncated"])
def test_a_file_that_is_no_sound_is_not_imported(name: str, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (folder / "from/p03.wav").write_bytes(broken(name))
    before = state_of(folder)
    tables = ("--tank", folder / "from/tank.toml", "--points", folder / "from/points.csv")
    assert "p03.wav" in refused(capsys, "import", folder / "new", *tables)
    assert state_of(folder) == before


def all_sounds(folder: Path, samples: np.ndarray, rate: int = RATE) -> None:
    for path in (folder / "cellar" / "sound").iterdir():
        path.unlink()
        if samples.dtype == np.float64:
            write_wav_of_floats(path, samples, rate)
        else:
            write_recording(path, samples, rate)


def write_wav_of_floats(path: Path, samples: np.ndarray, rate: int) -> None:
    import soundfile

    soundfile.write(path, samples, rate, subtype="FLOAT")


@pytest.mark.parametrize(
    ("samples", "words"),
    [
        (np.full(RATE, np.nan), "not numbers"),
        (np.zeros(RATE, np.float32), "silent"),
        (np.sign(np.sin(np.arange(RATE) * 0.3)).astype(np.float32), "clipped"),
        (np.ones(1, np.float32), "p0"),
    ],
    ids=["NaN samples", "silence", "constant clipping", "one sample"],
)
def test_sound_that_says_nothing(
    samples: np.ndarray, words: str, folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    all_sounds(folder, samples)
    assert words in refused(capsys, "judge", folder / "cellar")


def test_three_channels_and_a_low_rate_are_judged(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    import soundfile

    for path in (folder / "cellar" / "sound").iterdir():
        samples, _ = soundfile.read(path)
        stereo = np.column_stack([0.01 * samples[::2], samples[::2], 0.1 * samples[::2]])
        soundfile.write(path, stereo, RATE // 2)
    assert main(["judge", str(folder / "cellar"), "--full"]) == 0
    said = " ".join(capsys.readouterr().out.split())
    count = len(list((folder / "cellar" / "sound").iterdir()))
    assert said.count("3 channels. Channel 2 was used, the loudest") == 1
    assert f"The same goes for {count - 1} other files." in said


def test_missing_points_file(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (folder / "from/points.csv").unlink()
    tables = ("--tank", folder / "from/tank.toml", "--points", folder / "from/points.csv")
    assert "File not found" in refused(capsys, "import", folder / "new", *tables)


@pytest.mark.parametrize(
    ("rows", "words"),
    [
        ("35,p01.wav\n35,p02.wav", "both give 35 mm"),
        ("35,p01.wav\n9000,p02.wav", "is beyond the tank"),
        ("35,p01.wav\n70,none.wav", "none.wav"),
        ("35;5,p01.wav", "35;5"),
    ],
    ids=["duplicate", "off the tank", "missing file", "mixed separators"],
)
def test_points_that_cannot_be(rows: str, words: str, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (folder / "from/points.csv").write_text(f"position_mm,file\n{rows}\n", encoding="utf-8")
    tables = ("--tank", folder / "from/tank.toml", "--points", folder / "from/points.csv")
    assert words in refused(capsys, "import", folder / "new", *tables)
    assert not (folder / "new").exists()


def test_reversed_order_is_judged_alike(folder: Path, capfd: pytest.CaptureFixture[str]) -> None:
    def boundary(visit: Path) -> Any:
        capfd.readouterr()
        assert main(["judge", str(visit), "--json", "-"]) == 0
        return json.loads(capfd.readouterr().out)["boundary"]

    table = folder / "from/points.csv"
    heading, *rows = table.read_text(encoding="utf-8").splitlines()
    table.write_text("\n".join([heading, *rows[::-1]]) + "\n", encoding="utf-8")
    tables = ["--tank", str(folder / "from/tank.toml"), "--points", str(table)]
    assert main(["import", str(folder / "new"), *tables]) == 0
    assert boundary(folder / "new") == boundary(folder / "cellar")


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('volume = "18 l"', 'colour = "red"', ["colour", "not known"]),
        ('"1,5 bar"', '"-0.3 bar abs"', ["readings", "below vacuum"]),
        ('"18 l"', '"120 l"\nheight = "400 mm"', ["120 l"]),
    ],
    ids=["unknown key", "negative absolute pressure", "volume that the dimensions cannot hold"],
)
def test_a_tank_that_cannot_be(
    old: str, new: str, words: list[str], folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (folder / "from/tank.toml").write_text(TANK.replace(old, new), encoding="utf-8")
    tables = ("--tank", folder / "from/tank.toml", "--points", folder / "from/points.csv")
    sentence = refused(capsys, "import", folder / "new", *tables)
    for word in words:
        assert word in sentence


def test_a_decimal_comma_is_read_as_one(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert '"1,5 bar"' in TANK
    assert main(["judge", str(folder / "cellar"), "--full"]) == 0
    assert "1.50 bar" in capsys.readouterr().out


def test_pressure_at_zero_is_judged_and_said(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = folder / "cellar/visit.json"
    path.write_text(path.read_text(encoding="utf-8").replace("1,5 bar", "0 bar"), encoding="utf-8")
    assert main(["judge", str(folder / "cellar"), "--full"]) == 0
    assert "0.00 bar" in capsys.readouterr().out


@pytest.mark.parametrize("file", ["../from/p01.wav", "/etc/hostname", "C:/x.wav"])
def test_a_path_outside_the_visit(file: str, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = folder / "cellar/visit.json"
    path.write_text(path.read_text(encoding="utf-8").replace("sound/p01.wav", file), encoding="utf-8")
    assert "leads out of the visit" in refused(capsys, "judge", folder / "cellar")


def test_a_folder_that_cannot_be_written(
    folder: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(figures, "boundary_picture", lambda result, wording: figures.Picture(b"", b"", b""))
    monkeypatch.setattr(page, "report_pdf", lambda result, sources: b"%PDF")
    (folder / "report").write_text("a file in the way")
    sentence = refused(capsys, "report", folder / "cellar", "--out", folder / "report" / "new")
    assert "a part of the path is a file" in sentence


def test_a_visit_that_is_none(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert "has no visit.json" in refused(capsys, "judge", folder / "from")
    assert "not a folder" in refused(capsys, "judge", folder / "nowhere")


def test_a_name_that_the_system_refuses(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert "The system refuses" in refused(capsys, "judge", folder / ("x" * 5000))


def test_the_user_may_stop(folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    def stop(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(reading, "listen", stop)
    assert main(["judge", str(folder / "cellar")]) == 130
    assert "stopped" in capsys.readouterr().err


def test_a_wrong_date_is_refused_in_words(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as stopped:
        main(["import", "x", "--tank", "t", "--points", "p", "--date", "14.3.2025"])
    assert stopped.value.code == 2
    assert "YYYY-MM-DD, such as 2025-03-14" in capsys.readouterr().err


def test_one_is_counted_as_one(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert (counted(0, "point"), counted(1, "point"), counted(2, "point")) == ("0 points", "1 point", "2 points")
    assert main(["list", str(folder)]) == 0
    assert capsys.readouterr().out.endswith("\n1 visit.\n")


class Screen:
    """A stream that someone watches, or not."""

    def __init__(self, watched: bool) -> None:
        self.text, self.watched = "", watched

    def write(self, text: str) -> None:
        self.text += text

    def flush(self) -> None:
        pass

    def isatty(self) -> bool:
        return self.watched


def test_the_bar_is_drawn_for_eyes_only() -> None:
    eyes, pipe = Screen(watched=True), Screen(watched=False)
    for screen in (eyes, pipe):
        bar = Bar("computing", screen)  # type: ignore[arg-type]
        for share in (0.0, 0.5, 0.5, 1.0):
            bar(share)
    assert "computing [###############...............]  50 %" in eyes.text
    assert eyes.text.count(" 50 %") == 1
    assert eyes.text.endswith("\r")
    assert pipe.text == ""


def test_the_example_visits_of_a_checkout_or_an_installation_are_found() -> None:
    folders = demo.demo_folders()
    assert len(folders) >= 6
    assert Path(taptest.__file__).parent in {path.parents[1] for path in folders} | {
        path.parents[1] / "taptest" for path in folders
    }


BEGUN = """
import sys, threading, time
from taptest import cli
from taptest.capture import estimate

def command(argv=None):
    def model():
        pool = threading.Thread(target=time.sleep, args=(60,))  # one that Python's end would wait for
        pool.start()
        pool.join()
    threading.Thread(target=model, daemon=True, name=estimate.COMPUTING).start()
    print("begun", flush=True)
    WAIT
    print("saved")
    return 2

cli.main = command
cli.entry()
"""


@pytest.mark.skipif(os.name == "nt", reason="Windows sends no such signals.")
@pytest.mark.parametrize(
    ("wait", "sent", "code"),
    [
        ("pass", None, 2),
        ("time.sleep(30)", signal.SIGINT, 130),
        ("time.sleep(30)", signal.SIGTERM, 130),
    ],
)
def test_the_end_waits_for_no_model_and_shows_no_traceback(wait: str, sent: signal.Signals | None, code: int) -> None:
    """A model that is computed for a round that is over; numbers of signals and codes by POSIX.1-2017."""
    command = [sys.executable, "-c", BEGUN.replace("WAIT", wait)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "begun\n"
        began = time.monotonic()
        if sent is not None:
            process.send_signal(sent)
        assert process.stderr is not None
        out, err = process.stdout.read(), process.stderr.read()
        process.wait(50)
        assert time.monotonic() - began < 20
    assert process.returncode == code
    assert "Traceback" not in err
    assert out == ("saved\n" if sent is None else "")
    assert ("what was saved before is kept" in err) == (sent is not None)
