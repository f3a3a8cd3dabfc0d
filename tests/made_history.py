"""Visits of one made-up tank over years, with made-up findings kept beside them: nothing is judged from sound."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Any

from taptest.finding.records import Bound, FindingCode, Interval, PrechargeEstimate
from taptest.visit.files import read_visit
from taptest.visit.judged import keep_judged
from tests.made_up import made_up

TANK = {
    "kind": "diaphragm",
    "name": "Boiler room",
    "water_end": "top",
    "volume": "18 l",
    "diameter": "270 mm",
    "precharge": "1.0 bar",
}
SYSTEM = {
    "volume": "120 l", "relief": "3 bar", "max_temperature": "80 C", "static_head": "6 m", "fill": "1.2 bar"
}  # fmt: skip


@dataclass(frozen=True)
class Told:
    """One visit: the charge that its finding told (bar), and what else its document says."""

    day: str | None
    charge: float | None = None
    sd: float = 0.06
    bound: Bound | None = None
    code: FindingCode = "low on air"
    more: Mapping[str, Mapping[str, Any] | Sequence[Any]] = field(default_factory=dict)
    judged: bool = True


def make_history(root: Path, visits: Sequence[Told], system: dict[str, str] | None = None) -> Path:
    """Write the visits into folders 00, 01, ... of `root`."""
    for number, told in enumerate(visits):
        folder = root / f"{number:02d}"
        (folder / "sound").mkdir(parents=True)
        for name in ("a.wav", "b.wav"):
            (folder / "sound" / name).write_bytes(bytes([number]) * 60)
        raw: dict[str, Any] = {
            "schema": 1,
            "simulated": True,
            "visit": {"site": "Mill Lane 4"},
            "tank": TANK,
            "system": SYSTEM if system is None else system,
            "readings": {"pressure": "1.2 bar", "water_temperature": "20 C", "state": "cold"},
            "points": [{"position_mm": 40, "file": "sound/a.wav"}, {"position_mm": 80, "file": "sound/b.wav"}],
        }
        if told.day is not None:
            raw["visited_on"] = told.day
        for name, keys in told.more.items():
            raw[name] = keys if isinstance(keys, Sequence) else {**raw.get(name, {}), **keys}
        (folder / "visit.json").write_text(json.dumps(raw), encoding="utf-8")
        if told.judged:
            _judge(folder, told)
    return root


def _judge(folder: Path, told: Told) -> None:
    result = made_up(code=told.code)
    precharge = None
    if told.charge is not None:
        median, half = 1e5 * told.charge, 1.645e5 * told.sd
        precharge = PrechargeEstimate(Interval(median, median - half, median + half), told.bound)
    from dataclasses import replace

    keep_judged(read_visit(folder), replace(result, judgement=replace(result.judgement, precharge=precharge)))


def losing(rate: float, days: Sequence[date], start: float = 1.0) -> list[Told]:
    """Visits that told a charge falling by `rate` bar a year without any error."""
    return [Told(day.isoformat(), start - rate * (day - days[0]).days / 365.25) for day in days]
