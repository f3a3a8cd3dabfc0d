"""No dead code: every public function and class is used by the package, or stands here with its reason."""

import ast
import re
from pathlib import Path

import taptest

PACKAGE = Path(taptest.__file__).parent
NOT_CALLED = {
    "band_energy": "spectral features that the tests hold against a reference library",
    "added_mass": "the whole matrix; the program takes its parts, and tests hold both against closed forms",
    "open_cylinder": "the part of a shell that tests hold against closed forms",
    "tap_traits": "one tap alone, for scripts; the program takes many at once",
    "boundary_depth_bounds_m": "an older bound that the wetted wall is held against",
    "drained_air_volume_m3": "for scripts, in docs/water.md",
    "dump_bytecode": "called by Jinja",
    "fit_exponentials": "for scripts: modes without the choice of their number",
    "impulse_ns": "the striker's momentum, which tests hold against contact theory",
    "languages": "for tests of all catalogues",
    "level_sweep": "one model at once; the program computes it in parts",
    "parse_log": "for scripts, in docs/water.md",
    "p_boundaries": "for benches of detection",
    "cut_mass": "for benches of detection",
    "relief_outlook": "for scripts, in docs/water.md",
    "show_height": "for scripts, in docs/water.md",
    "water_share_bounds": "an older bound that the wetted wall is held against",
}
"""Public names that only tests, benches and scripts use, and why they stay."""


def named(node: ast.AST) -> list[str]:
    """Names that a node uses: variables, attributes, imports, and words of texts without a space, like routes."""
    if isinstance(node, ast.Name):
        return [node.id]
    if isinstance(node, ast.Attribute):
        return [node.attr]
    if isinstance(node, ast.alias):
        return [node.name]
    if isinstance(node, ast.Constant) and isinstance(node.value, str) and " " not in node.value:
        return re.findall(r"\w+", node.value)
    return []


def test_every_public_name_has_a_caller() -> None:
    nodes = [node for path in PACKAGE.rglob("*.py") for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))]
    used = {name for node in nodes for name in named(node)}
    used.update(word for path in PACKAGE.rglob("*.html") for word in re.findall(r"\w+", path.read_text("utf-8")))
    defined = {node.name for node in nodes if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef)}
    alone = {name for name in defined - used if not name.startswith("_")}
    assert alone == set(NOT_CALLED), "Use it, or remove it"
