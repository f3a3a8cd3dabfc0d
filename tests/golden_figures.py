"""Figures of the model and of judged visits under the versions that the package names: `tests/data/golden.json`.

They are the project's own output, and say nothing of whether it is right: they tell that a figure moved, so that no
kept model and no kept finding outlives the code that made it. Where a figure is meant to move, raise its version in
`taptest/versions.py` and write the figures again:

    python -m tests.golden_figures

which refuses to write moved figures under the version that they had before.
"""

import json
import os
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from taptest import versions
from taptest.finding.judge import judge
from taptest.finding.records import Judgement
from taptest.line.boundary import read_line
from taptest.line.records import LineReading
from taptest.shell.records import Change, Losses, RingPictures, ShellSpec
from taptest.shell.sweep import level_sweeps
from taptest.visit.analyse import judge_visit
from taptest.visit.files import read_visit
from taptest.visit.result import as_json
from tests.frozen_lines import load
from tests.made_cases import COLD, FILLED, HOT, heard, heard_at, made_case, made_tank

GOLDEN = Path(__file__).parent / "data" / "golden.json"
DEMO = Path(__file__).parents[1] / "recordings_demo"
VISITS = ("1-healthy-hot", "3-low-on-air")
LINE_M = np.array([0.03, 0.06, 0.09, 0.12])
LEVELS_M = np.array([0.12, 0.05])
SEAM: dict[str, Any] = {"seam_depth_m": 0.07, "more_ring_depth_m": 0.07, "ring_mass_kg_m": 0.3, "rubber_kg_m2": 2.0}
SEAM |= {"rubber_from_m": 0.0, "rubber_to_m": 0.07}
CHANGES = (
    Change(),
    Change(wall_factor=0.8, rubber_factor=1.5),
    Change(water_factor=0.4, more_ring_kg_m=0.5, more_ring_moment_m4=1e-9),
)
BY_SENTENCE = ("sentence", "reasons", "not_checked", "next_checks", "causes")
"""What words make of a finding; better words are no other finding."""


def model_figures() -> dict[str, Any]:
    """Band levels in dB of small shells that use every part of the model."""
    standing = ShellSpec("vertical", 0.2, 0.05, "ellipsoidal", 0.002, 1e5, water_end="top", **SEAM)
    rings = RingPictures(0.07, np.array([0.02]), np.array([0.01]), np.array([0.11]))
    lying = ShellSpec("horizontal", 0.2, 0.3, "torispherical", 0.002, 1e5, losses=Losses(0.02, 0.02, 0.1, 0.02, 1.0))
    swept = level_sweeps(standing, LINE_M, CHANGES, LEVELS_M, rings=rings)
    swept += level_sweeps(lying, LINE_M, (Change(),), LEVELS_M[:1])
    return {
        str(number): np.round(np.concatenate([each.level_db, each.cap_db, each.foot_db])[..., ::4], 3).tolist()
        if each.cap_db.size
        else np.round(each.level_db[..., ::4], 3).tolist()
        for number, each in enumerate(swept)
    }


def visit_figures() -> dict[str, Any]:
    """Figures of two example visits, their models kept where the environment says."""
    figures = {}
    for name in VISITS:
        told = as_json(judge_visit(read_visit(DEMO / name)))
        told["finding"] = _without(told["finding"], BY_SENTENCE)
        told["forecast"] = _without(told["forecast"], ())
        for part in (told, *told["rounds"]):
            part["taps"] = [[tap["onset_s"], tap["used"]] for tap in part["taps"]]
        figures[name] = told
    return figures


def _without(told: dict[str, Any], names: tuple[str, ...]) -> dict[str, Any]:
    """Leave out what is said: by these names, and as statements."""
    return {key: value for key, value in told.items() if key not in names and "_as_statement" not in key}


def quick_figures() -> dict[str, Any]:
    """Made-up visits of each kind of tank, and the kept lines of `tests.frozen_lines` with their model and without."""
    return {name: figures_of(make()) for name, make in MADE.items()} | {
        f"{line.name}, {way}": reading_figures(read_line(line.points, line.tank, sweeps))
        for line in load()
        for way, sweeps in (("with its model", line.sweeps), ("without", None))
    }


def reading_figures(reading: LineReading) -> list[Any]:
    """The numbers of a reading."""
    posterior = reading.posterior
    chances = [getattr(posterior, f"p_{name}") for name in ("all_air", "all_water", "inverted", "two", "no_contact")]
    ends = [round(posterior.quantile_m(share), 4) for share in (0.05, 0.5, 0.95)]
    told = [round(float(value), 4) for value in (*chances, reading.misfit, *reading.p_water)]
    return [reading.state, ends, told]


def figures_of(found: Judgement) -> dict[str, Any]:
    """The numbers of a judgement."""
    water, charge = found.water_m3, found.precharge
    return {
        "code": found.code,
        "confidence": found.confidence,
        "speaks_against": found.speaks_against,
        "probabilities": {code: round(chance, 4) for code, chance in found.probabilities.items()},
        "causes": [round(cause.weight, 4) for cause in found.causes],
        "water_l": None if water is None else [round(1e3 * each, 3) for each in (water.low, water.median, water.high)],
        "precharge_bar": None
        if charge is None
        else [round(1e-5 * getattr(charge.pressure_pa, name), 3) for name in ("low", "median", "high")],
    }


def _made(kind: Any, water_end: Any, charge_pa: float, read: dict[str, Any], **more: Any) -> Judgement:
    tank = made_tank(kind, water_end, **more)
    return judge(made_case(tank, **read), heard_at(tank, charge_pa, read))


def _all(state: str, kind: Any, water_end: Any, read: dict[str, Any], **more: Any) -> Judgement:
    tank = made_tank(kind, water_end, **more)
    return judge(made_case(tank, **read), heard(tank, state))


MADE: dict[str, Callable[[], Judgement]] = {
    "hanging, right": lambda: _made("diaphragm", "top", 1e5, FILLED, seam_depth_m=0.18),
    "hanging, lost charge": lambda: _made("diaphragm", "top", -0.2e5, COLD, seam_depth_m=0.18),
    "standing, hot": lambda: _made("diaphragm", "bottom", 0.6e5, HOT, seam_depth_m=0.18),
    "bag, more air": lambda: _made("bladder", "bottom", 1.6e5, {**HOT, "pressure_pa": 2.2e5}),
    "bag, all water": lambda: _all("all water", "bladder", "bottom", HOT),
    "plain": lambda: _all("all air", "plain", "bottom", HOT),
    "open": lambda: _all("all water", "open", "bottom", COLD),
    "inverted": lambda: _all("inverted", "diaphragm", "top", FILLED, seam_depth_m=0.18),
    "not found": lambda: _all("not found", "diaphragm", "top", HOT, seam_depth_m=0.18),
}


def differences(was: Any, now: Any, where: str = "") -> list[str]:
    """Where two sets of figures differ by more than rounding."""
    if isinstance(was, dict) and isinstance(now, dict):
        keys = sorted(was.keys() | now.keys())
        return [line for key in keys for line in differences(was.get(key), now.get(key), f"{where}/{key}")]
    if isinstance(was, list) and isinstance(now, list) and len(was) == len(now):
        pairs = enumerate(zip(was, now, strict=True))
        return [line for number, (a, b) in pairs for line in differences(a, b, f"{where}/{number}")]
    if isinstance(was, float) and isinstance(now, float):
        # rounding alone, on another processor, moves a forecast by 0.2 %: it lies where the pressure runs away
        rel = 5e-3 if "/forecast/" in where else 1e-3
        same = now == pytest.approx(was, rel=rel, abs=1.5e-3 if where.startswith("/model") else 1.5e-4)
        return [] if same else [f"{where}: {was} before, {now} now"]
    return [] if was == now else [f"{where}: {was} before, {now} now"]


def main() -> int:
    """Write the figures, unless one moved under its old version."""
    with tempfile.TemporaryDirectory() as kept:
        os.environ["TAPTEST_CACHE"] = kept
        now = {
            "model": {"version": versions.MODEL, "figures": model_figures()},
            "judgement": {
                "version": [versions.MODEL, versions.JUDGEMENT],
                "figures": visit_figures() | quick_figures(),
            },
        }
    now = json.loads(json.dumps(now))
    if GOLDEN.is_file():
        was = json.loads(GOLDEN.read_text(encoding="utf-8"))
        for part in now:
            before = was[part]["figures"]
            moved = differences(before, {key: now[part]["figures"].get(key) for key in before}, f"/{part}")
            if moved and was[part]["version"] == now[part]["version"]:
                print("Figures moved under an old version; raise it in taptest/versions.py.", *moved[:9], sep="\n")
                return 1
    GOLDEN.write_text(json.dumps(now, separators=(",", ":")).replace("},", "},\n") + "\n", encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
