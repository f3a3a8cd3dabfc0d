"""The house stands: imports point one way and each outside library is touched in one place."""

import ast
from functools import cache
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parents[1] / "taptest"

READING_ORDER = """
versions statements errors quantities disk images preferences words.catalogue words.tell words.language words
water.fluids water.pressure water.forecast water.sizing water.log
tank.remarks tank.shape tank.kinds tank.membrane tank.contact
sound.remarks sound.records sound.telephone sound.recording sound.taps sound.striker sound.alignment sound.spectra
sound.modes sound.traits sound.hearing sound.processing
shell.records shell.wall shell.from_tank shell.meridian shell.vibration shell.fluid shell.lying shell.response
shell.radiation shell.sweep shell.variants
line.distribution line.remarks line.records line.points line.drift line.unlabelled line.matched line.pair line.absolute
line.backing line.naming line.quality line.boundary line.two_places line.next_point line.onset line.still
finding.records finding.keys finding.draws finding.parallel finding.air finding.rise finding.line_likelihood
finding.pair_likelihood finding.onset_likelihood finding.still_likelihood finding.rounds finding.weigh
finding.compare finding.cause_keys finding.cause_table finding.causes finding.cause_facts
finding.red_flags
finding.settle finding.planner finding.wording finding.judge
visit.remarks visit.record visit.parallel visit.meaning visit.size_task visit.files visit.fingerprint visit.photographs
visit.intake visit.more_rounds visit.sweeps visit.result visit.listen visit.reading visit.onset_reading
visit.unfinished visit.as_left visit.analyse visit.open_questions
visit.judged visit.parcel visit.shelf visit.put_away visit.trend visit.history visit.workers visit.judge_many
simulate.strike simulate.rooms simulate.wetted simulate.scene simulate.visits simulate.later_round simulate.scenario
simulate.truth simulate.onset_round simulate.staged simulate.trial
capture.remarks capture.device capture.known_levels capture.opening capture.marks capture.tape capture.journal
capture.signs capture.own_tone capture.place capture.round capture.plans capture.notes capture.estimate capture.tones
capture.session capture.excerpt capture.onset_lead capture.led_rounds capture.unfinished capture.letters
capture.terminal
report.wording report.choices report.remarks report.words report.trend_words report.typefaces report.figure_text
report.figures report.forecast_figure report.rounds_figure report.trend_figure report.page_text report.past report.typed
report.letterhead report.further_pages report.page
report.sources
api
desk.access desk.guard desk.fields desk.drafts desk.visits desk.judging desk.sounds desk.rings desk.arrivals
desk.browser_sound desk.live desk.render desk.section desk.marks desk.model_sound
desk.settings_pages desk.mend_pages desk.shelf_pages desk.visit_pages
desk.photograph_pages desk.away_pages desk.review_pages desk.round_pages desk.another_pages desk.size_pages
desk.file_pages desk.app desk.network desk.connections desk.serve
commands.console commands.led_round commands.record_onset commands.record_again
commands.open_round commands.record commands cli __main__
""".split()  # noqa: SIM905 - one line a room reads better than a list of strings

ONE_PLACE = {
    "threadpoolctl": {"shell.response"},
    "joblib": {"visit.workers"},
    "distributed": {"visit.workers"},
    "soundfile": {"sound.recording"},
    "av": {"sound.telephone"},
    "sounddevice": {"capture.device"},
    "matplotlib": {
        "report.typefaces",
        "report.figures",
        "report.forecast_figure",
        "report.trend_figure",
        "report.rounds_figure",
    },
    "typst": {"report.page"},
    "PIL": {"images"},
    "sqlite3": {"visit.shelf"},
    "starlette": {
        "desk.guard",
        "desk.render",
        "desk.settings_pages",
        "desk.mend_pages",
        "desk.shelf_pages",
        "desk.visit_pages",
        "desk.photograph_pages",
        "desk.away_pages",
        "desk.review_pages",
        "desk.round_pages",
        "desk.another_pages",
        "desk.size_pages",
        "desk.file_pages",
        "desk.app",
    },
    "jinja2": {"desk.render"},
    "uvicorn": {"desk.connections", "desk.serve"},
    "segno": {"desk.network"},
    "pydantic": {"visit.record"},
    "platformdirs": {"visit.sweeps", "preferences"},
    "librosa": set(),
}


def modules() -> list[Path]:
    return sorted(p for p in PACKAGE.rglob("*.py") if p.name != "__init__.py")


def dotted(path: Path) -> str:
    return ".".join(path.relative_to(PACKAGE).with_suffix("").parts)


@cache
def nodes(path: Path) -> tuple[ast.AST, ...]:
    return tuple(ast.walk(ast.parse(path.read_text(encoding="utf-8"))))


@cache
def imports(path: Path) -> set[str]:
    found: set[str] = set()
    for node in nodes(path):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path} uses a relative import"
            base = node.module or ""
            found |= {f"{base}.{alias.name}" for alias in node.names} | {base}
    return found


def place(name: str) -> int:
    """Position in the reading order of a module, or of the room it belongs to."""
    while name:
        if name in READING_ORDER:
            return READING_ORDER.index(name)
        name = name.rpartition(".")[0]
    return -1


def test_the_reading_order_names_nothing_that_is_not_there() -> None:
    there = {dotted(path) for path in modules()}
    assert [name for name in READING_ORDER if name not in there and not (PACKAGE / name).is_dir()] == []


@pytest.mark.parametrize("path", modules(), ids=dotted)
def test_module_has_its_place_and_imports_only_what_stands_before_it(path: Path) -> None:
    name = dotted(path)
    here = place(name)
    assert here >= 0, f"{name} has no place in the reading order"
    for target in imports(path):
        if target.startswith("taptest."):
            there = place(target.removeprefix("taptest."))
            assert there < here, f"{name} imports {target}, which stands after it"


@pytest.mark.parametrize("path", modules(), ids=dotted)
def test_each_outside_library_is_touched_in_one_place(path: Path) -> None:
    roots = {target.split(".")[0] for target in imports(path)}
    for library, homes in ONE_PLACE.items():
        if library in roots:
            assert dotted(path) in homes, f"{dotted(path)} touches {library}"


def test_only_those_who_speak_to_people_make_sentences() -> None:
    """The pure rooms return statements; `visit.result` and `visit.history` tell them for the JSON."""
    speak = (
        "visit.result",
        "visit.history",
        "report.",
        "capture.",
        "desk.",
        "commands.",
        "words.",
        "finding.wording",
    )
    for path in modules():
        if any(target.startswith("taptest.words") for target in imports(path)):
            assert dotted(path).startswith(speak), f"{dotted(path)} makes sentences"


@pytest.mark.parametrize("path", modules(), ids=dotted)
def test_no_function_of_a_hundred_lines(path: Path) -> None:
    for node in nodes(path):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            assert node.end_lineno is not None
            length = node.end_lineno - node.lineno + 1
            assert length < 100, f"{dotted(path)}.{node.name} has {length} lines"
