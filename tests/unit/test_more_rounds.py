"""A second round of a visit: added from tables, kept in schema 2, refused where it contradicts the visit."""

import json
import re
import shutil
from pathlib import Path

import pytest

from taptest.cli import main
from taptest.errors import TaptestError, VisitError
from taptest.sound.recording import write_recording
from taptest.visit.files import read_visit, sound_files
from taptest.visit.intake import Sources, import_visit
from taptest.visit.meaning import meaning_of
from taptest.visit.more_rounds import add_round
from taptest.visit.record import as_documents, read_document
from tests.made_visits import RATE, tap_sound, write_tables

SECOND = """
[round]
name = "fill raised"
state = "fill raised"
same_air = true
water_moved = "+1.5 l"
[readings]
pressure = "2.0 bar"
"""


@pytest.fixture
def visit(tmp_path: Path) -> Path:
    """A visit of three points, and beside it the tables and sounds of a second round."""
    write_tables(tmp_path / "from", 3)
    import_visit(tmp_path / "visit", Sources(tmp_path / "from/tank.toml", tmp_path / "from/points.csv"))
    second = tmp_path / "second"
    second.mkdir()
    (second / "second.toml").write_text(SECOND, encoding="utf-8")
    (second / "second.csv").write_text("position_mm,file\n35,p01.wav\n70,q.wav\n", encoding="utf-8")
    for name in ("p01.wav", "q.wav"):
        write_recording(second / name, tap_sound([0.5, 1.1], 2.0), RATE)
    return tmp_path / "visit"


def sources(visit: Path, text: str | None = None) -> Sources:
    second = visit.parent / "second"
    if text is not None:
        (second / "second.toml").write_text(text, encoding="utf-8")
    return Sources(second / "second.toml", second / "second.csv")


def test_a_round_is_added(visit: Path) -> None:
    first = read_visit(visit).document
    add_round(visit, sources(visit))
    document = read_visit(visit).document
    assert document.model_copy(update={"rounds": ()}) == first
    (added,) = document.rounds
    assert (added.name, added.state, added.same_air) == ("fill raised", "fill raised", True)
    assert [point.file for point in added.points] == ["sound/round2-p01.wav", "sound/round2-q.wav"]
    assert all((visit / name).is_file() for name in sound_files(document))
    assert json.loads((visit / "visit.json").read_text(encoding="utf-8"))["schema"] == 2


def test_what_a_round_means(visit: Path) -> None:
    add_round(visit, sources(visit))
    meaning = meaning_of(read_visit(visit).document, "visit.json")
    (added,) = meaning.rounds
    assert added.water_moved_m3 == pytest.approx(0.0015)
    assert added.case.readings.pressure_pa == pytest.approx(2e5)
    # What was not read again is as it was: nothing was heated in between.
    assert added.case.readings.water_temperature_c == meaning.case.readings.water_temperature_c
    assert added.case.readings.precharge_pa == meaning.case.readings.precharge_pa


def test_a_hot_round_has_temperatures_of_its_own(visit: Path) -> None:
    add_round(visit, sources(visit, SECOND.replace('state = "fill raised"', 'state = "hot"')))
    (alone,) = as_documents(read_visit(visit).document)
    assert alone.readings.state == "hot"
    assert alone.readings.water_temperature is None


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[readings]\npressure = '2 bar'", "no section \\[round\\]"),
        (SECOND.replace('"fill raised"\nsame', '"raised"\nsame'), "state"),
        (SECOND + '[tank]\nkind = "plain"\n', "if this is another tank"),
        (SECOND + '[tank]\nvolume = "80 l"\n', "if this is another tank"),
        (SECOND.replace("+1.5 l", "+1.5"), "water_moved"),
        (SECOND.replace("2.0 bar", "2.0"), "pressure"),
        (SECOND + "[system]\nrelief = 3\n", "relief"),
        (SECOND + "[[parallel]]\nvolume = '18 l'\nprecharge = '1 bar'\n", "belongs to the visit"),
        (SECOND + "[drain]\nvolume = '1 l'\n", "not known"),
    ],
)
def test_what_cannot_be_added_is_refused_and_changes_nothing(visit: Path, text: str, words: str) -> None:
    before = {path: path.read_bytes() for path in visit.rglob("*") if path.is_file()}
    with pytest.raises(TaptestError, match=words):
        add_round(visit, sources(visit, text))
    assert before == {path: path.read_bytes() for path in visit.rglob("*") if path.is_file()}


def test_the_same_tank_in_other_units_is_no_contradiction(visit: Path) -> None:
    kind = read_visit(visit).document.tank.kind
    add_round(visit, sources(visit, SECOND + f'[tank]\nkind = "{kind}"\n'))


def test_two_rounds_get_names_of_their_own(visit: Path) -> None:
    add_round(visit, sources(visit))
    add_round(visit, sources(visit))
    files = [point.file for each in read_visit(visit).document.rounds for point in each.points]
    assert len(set(files)) == 4


def test_a_visit_without_points_gets_its_first_round_first(visit: Path) -> None:
    raw = json.loads((visit / "visit.json").read_text(encoding="utf-8"))
    (visit / "visit.json").write_text(json.dumps({**raw, "points": []}), encoding="utf-8")
    with pytest.raises(VisitError, match="first round"):
        add_round(visit, sources(visit))


def test_the_command_adds_a_round(visit: Path, capsys: pytest.CaptureFixture[str]) -> None:
    made = sources(visit)
    arguments = ["import", str(visit), "--add", "--tank", str(made.tank), "--points", str(made.points)]
    assert main(arguments) == 0
    assert 'Added the round "fill raised" with 2 points' in capsys.readouterr().out
    assert main([*arguments, "--replace"]) == 2
    assert "exclude each other" in capsys.readouterr().err


def test_a_document_of_schema_1_is_read(visit: Path) -> None:
    raw = json.loads((visit / "visit.json").read_text(encoding="utf-8"))
    raw.pop("rounds", None)
    document = read_document(json.dumps({**raw, "schema": 1}), "visit.json")
    assert document == read_visit(visit).document


def test_two_lines_of_one_tank(visit: Path) -> None:
    folder = visit.parent / "from"
    shutil.copyfile(folder / "p01.wav", folder / "far.wav")
    (folder / "points.csv").write_text(
        "position_mm,file,line\n35,p01.wav,front\n70,p02.wav,front\n35,far.wav,back\n", encoding="utf-8"
    )
    tank = (folder / "tank.toml").read_text(encoding="utf-8")
    lines = '\n[[lines]]\nname = "front"\nangle = 0\n[[lines]]\nname = "back"\nangle = 180\n'
    (folder / "tank.toml").write_text(tank + lines, encoding="utf-8")
    made, _ = import_visit(visit.parent / "two", Sources(folder / "tank.toml", folder / "points.csv"))
    assert [point.line for point in made.document.points] == ["front", "front", "back"]
    assert [line.angle for line in made.document.lines] == [0, 180]
    points = (folder / "points.csv").read_text(encoding="utf-8").replace("back", "bakc")
    (folder / "points.csv").write_text(points, encoding="utf-8")
    with pytest.raises(VisitError, match='Did you mean "back"'):
        import_visit(visit.parent / "three", Sources(folder / "tank.toml", folder / "points.csv"))


def test_the_example_of_the_documents_is_accepted(visit: Path) -> None:
    page = (Path(__file__).parents[2] / "docs/visit-format.md").read_text(encoding="utf-8")
    found = re.search(r"<!-- example: second.toml -->\n```toml\n(.*?)```", page, re.DOTALL)
    assert found is not None
    add_round(visit, sources(visit, found.group(1)))


# ---------------------------------------------------------------- one mark at many pressures

ONSET = """
[round]
name = "onset"
state = "let down"
mark = "200 mm"
"""


def onset_sources(visit: Path, text: str = ONSET, table: str = "") -> Sources:
    rows = "".join(f"{1.4 - 0.05 * number:.2f} bar,t{number}.wav\n" for number in range(5))
    given = sources(visit, text)
    for number in range(5):
        write_recording(given.tank.parent / f"t{number}.wav", tap_sound([0.5, 1.1], 2.0, seed=number), RATE)
    given.points.write_text(table or "pressure,file\n" + rows, encoding="utf-8")
    return given


def hanging(visit: Path, kind: str = "diaphragm") -> None:
    """Make the visit's tank one that hangs with a diaphragm, or another kind."""
    path = visit / "visit.json"
    raw = json.loads(path.read_text(encoding="utf-8"))
    raw["tank"] |= {"kind": kind, "water_end": "top" if kind == "diaphragm" else "bottom"}
    path.write_text(json.dumps(raw), encoding="utf-8")


def test_one_mark_at_many_pressures_is_added(visit: Path) -> None:
    hanging(visit)
    add_round(visit, onset_sources(visit))
    document = read_visit(visit).document
    (added,) = document.rounds
    assert added.points == ()
    assert [each.pressure for each in added.onset] == ["1.40 bar", "1.35 bar", "1.30 bar", "1.25 bar", "1.20 bar"]
    assert all(each.file in sound_files(document) for each in added.onset)
    (meant,) = meaning_of(document, "visit").rounds
    assert meant.mark_m == pytest.approx(0.2)
    assert meant.shown_pa == pytest.approx([1.4e5, 1.35e5, 1.3e5, 1.25e5, 1.2e5])


@pytest.mark.parametrize(
    ("text", "table", "says"),
    [
        (ONSET, "pressure,file\nlow,t0.wav\n", "line 2, pressure: 'low' is not a pressure"),
        (ONSET, "position_mm,file\n35,t0.wav\n", 'has the column "position_mm", which is not known'),
        (ONSET, "pressure,taps\n1.2 bar,2\n", "without --sound the rows give pressure,file"),
        (ONSET.replace("200 mm", "2 m"), "", "mark is 2 m, which lies off the tank"),
        (ONSET.replace('"200 mm"', '""'), "", "but no mark"),
    ],
)
def test_a_round_of_one_mark_that_cannot_be_is_refused(visit: Path, text: str, table: str, says: str) -> None:
    hanging(visit)
    before = (visit / "visit.json").read_text(encoding="utf-8")
    with pytest.raises(TaptestError, match=says):
        add_round(visit, onset_sources(visit, text, table))
    assert (visit / "visit.json").read_text(encoding="utf-8") == before


def test_a_tank_without_a_diaphragm_takes_no_such_round(visit: Path) -> None:
    hanging(visit, "bladder")
    with pytest.raises(TaptestError, match="enter a measured drain instead"):
        add_round(visit, onset_sources(visit))
