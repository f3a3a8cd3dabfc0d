"""The wheel holds every package and the example visits."""

import tomllib
from pathlib import Path

ROOT = Path(__file__).parents[2]


def test_every_package_is_named() -> None:
    settings = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["setuptools"]
    there = {".".join(path.parent.relative_to(ROOT).parts) for path in (ROOT / "taptest").rglob("__init__.py")}
    assert set(settings["packages"]) == there | {"taptest.recordings_demo"}
    assert settings["package-dir"]["taptest.recordings_demo"] == "recordings_demo"


def test_the_example_visits_are_taken_along_whole() -> None:
    settings = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["setuptools"]
    folder = ROOT / "recordings_demo"
    taken = {path for pattern in settings["package-data"]["taptest.recordings_demo"] for path in folder.glob(pattern)}
    there = {path for path in folder.rglob("*") if path.is_file() and path.name != "judged.json"}
    assert there == {path for path in taken if path.is_file()}
    assert sum(path.stat().st_size for path in there) < 20_000_000


def test_every_file_that_is_no_module_is_taken_along() -> None:
    settings = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["setuptools"]
    taken = {
        path
        for package, patterns in settings["package-data"].items()
        for pattern in patterns
        for path in ROOT.joinpath(*package.split(".")).glob(pattern)
    }
    files = (path for path in (ROOT / "taptest").rglob("*") if path.is_file() and "__pycache__" not in path.parts)
    there = {path for path in files if path.suffix != ".py"}
    assert there <= taken, sorted(there - taken)
