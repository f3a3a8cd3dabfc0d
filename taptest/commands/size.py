"""`taptest size`: what tank a system needs, by several standards, and which tanks of a list serve."""

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any, get_args

if TYPE_CHECKING:
    from taptest.quantities import Quantity, Units
    from taptest.water.sizing import Band, SizingResult, SizingTask, TankChoice, TankSize

METHODS = ("diaphragm", "closed", "open", "en 12828", "model code diaphragm", "model code closed")
EMITTERS = ("convector", "baseboard", "panel radiator", "column radiator", "underfloor")

DESCRIPTION = """\
Size an expansion tank: the least volume, the water it must accept, the pre-charge and the cold fill pressure, with the
working in whole sentences; and which tanks of a list serve, alone or several in parallel.
"""
EXAMPLES = """\
Every value carries its unit; pressures are gauge, at the tank. The answer comes in the units that were typed, or in
those of --units. Methods: diaphragm (ASHRAE Handbook), closed and open (the same, for tanks without a membrane),
"en 12828", "model code diaphragm", "model code closed". docs/water.md gives their formulas and sources.

A size is a volume, or "9 l of 18 l" where the membrane takes at most 9 l. A file of sizes has one a line; what follows
a # is not read.

examples:
  taptest size --system-volume "190 l" --hot "80 C" --relief "3 bar" --static-head "7 m"
  taptest size --output "24 kW" --emitter "panel radiator" --hot "75 C" --relief "3 bar" --static-head "7 m" \\
               --method "en 12828" --size "9 l of 18 l" --size "12 l of 25 l" --size "17 l of 35 l"
  taptest size --system-volume "50 gal" --hot "180 F" --cold "40 F" --relief "30 psi" --fill "12 psi" --sizes sizes.txt
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    add = parser.add_argument
    add("--system-volume", metavar="VOLUME", help="water in the whole system")
    add("--output", metavar="POWER", help="where the volume is not known: heat output, for a rule of thumb (a band)")
    add("--emitter", choices=EMITTERS, help="kind of emitter, for the rule of thumb")
    add("--store", metavar="VOLUME", help="buffer or store on top of the rule of thumb")
    add("--hot", required=True, metavar="TEMPERATURE", help="highest temperature")
    add("--cold", metavar="TEMPERATURE", help="temperature when filled (10 C)")
    add("--relief", required=True, metavar="PRESSURE", help="setting of the relief valve")
    add("--static-head", metavar="HEIGHT", help="height of the system above the tank, or its pressure")
    add("--fill", metavar="PRESSURE", help="cold fill pressure; recommended from the static head if left out")
    add("--highest", metavar="PRESSURE", help="highest pressure wanted; from the relief valve's setting if left out")
    add("--fluid", metavar="FLUID", help='"water" (if left out) or like "propylene glycol 30 %%"')
    add("--metal", choices=("steel", "copper"), default="steel", help="what the pipes are of (steel)")
    add("--altitude", metavar="HEIGHT", help="height above sea level (0)")
    add("--method", action="append", choices=METHODS, help="how to size (diaphragm); repeat for several")
    add("--size", action="append", default=[], metavar="SIZE", help="a size that can be had; repeat for several")
    add("--sizes", type=Path, metavar="FILE", help="a file of such sizes, one a line")
    add("--most", type=int, default=3, metavar="N", help="most tanks in parallel (3)")
    add("--units", choices=("metric", "us"), help="units of the answer; those that were typed if left out")
    add("--json", metavar="FILE", help='write the result as JSON into FILE; "-" prints it instead of the text')


def run(arguments: argparse.Namespace) -> int:
    """Size, choose, and print or write."""
    from taptest.commands.console import write_json
    from taptest.quantities import METRIC, US
    from taptest.visit.meaning import units_of
    from taptest.water.sizing import choose_tanks, size

    typed: list[Quantity] = []
    task = _task(arguments, typed)
    sizes = _sizes(arguments, typed)
    chosen: dict[str | None, Units] = {None: units_of(typed), "metric": METRIC, "us": US}
    units = chosen[arguments.units]
    found = []
    for method in arguments.method or ["diaphragm"]:
        result = size(task, method, units)
        found.append((result, choose_tanks(task, result, sizes, arguments.most, units) if sizes else ()))
    if arguments.json:
        write_json({"schema": 1, "methods": [_as_json(*each) for each in found]}, arguments.json)
    if arguments.json != "-":
        print("\n\n".join(_text(result, choices, bool(sizes)) for result, choices in found))
    return 0


def _task(arguments: argparse.Namespace, typed: "list[Quantity]") -> "SizingTask":
    """Read the system; every quantity that was typed is added to `typed`."""
    from taptest.visit.size_task import Asked, read_task

    task, quantities = read_task(
        {asked: getattr(arguments, asked) for asked in get_args(Asked)}, lambda asked: f"--{asked.replace('_', '-')}"
    )
    typed += quantities
    return task


def _sizes(arguments: argparse.Namespace, typed: "list[Quantity]") -> "list[TankSize]":
    """Read the sizes that can be had."""
    from taptest.disk import storage_errors
    from taptest.errors import VisitError

    sizes = [_size(text, "--size", typed) for text in arguments.size]
    path: Path | None = arguments.sizes
    if path is None:
        return sizes
    with storage_errors("read", path):
        text = path.read_text(encoding="utf-8-sig", errors="replace")
    for number, line in enumerate(text.splitlines(), start=1):
        if line.partition("#")[0].strip():
            sizes.append(_size(line.partition("#")[0].strip(), f"{path}, line {number}", typed))
    if not sizes:
        raise VisitError(f'{path} holds no sizes. Write one a line, like "18 l" or "9 l of 18 l".')
    return sizes


def _size(text: str, where: str, typed: "list[Quantity]") -> "TankSize":
    """Read one size, and add what was typed to `typed`."""
    from taptest.visit.size_task import read_size

    size, volume = read_size(text, where)
    typed.append(volume)
    return size


def _text(result: "SizingResult", choices: "tuple[TankChoice, ...]", asked: bool) -> str:
    lines = [result.method.upper() if result.method == "en 12828" else result.method.capitalize(), *result.lines]
    lines += [f"Warning: {warning}" for warning in result.warnings]
    for choice in choices:
        lines += ["", *choice.lines, *(f"Warning: {warning}" for warning in choice.warnings)]
    if asked and not choices:
        lines += [
            "",
            "None of these sizes is enough, alone or in parallel. Add larger ones, or allow more tanks with --most.",
        ]
    return "\n".join(lines)


def _as_json(result: "SizingResult", choices: "tuple[TankChoice, ...]") -> dict[str, Any]:
    """One method's result as plain data: litres, gauge bar."""
    return {
        "method": result.method,
        "expansion_l": _litres(result.expansion_m3),
        "volume_l": _litres(result.volume_m3),
        "acceptance_l": _litres(result.acceptance_m3),
        "reserve_l": _litres(result.reserve_m3),
        "precharge_bar": _bar(result.precharge_pa),
        "fill_bar": _bar(result.fill_pa),
        "highest_bar": _bar(result.max_pa),
        "working": list(result.lines),
        "warnings": list(result.warnings),
        "choices": [
            {
                "tanks": [
                    {
                        "volume_l": round(1000 * tank.volume_m3, 2),
                        "acceptance_l": None if tank.acceptance_m3 is None else round(1000 * tank.acceptance_m3, 2),
                    }
                    for tank in choice.sizes
                ],
                "volume_l": round(1000 * choice.volume_m3, 2),
                "precharge_bar": _bar(choice.precharge_pa),
                "fill_bar": _bar(choice.fill_pa),
                "hot_pressure_bar": None
                if choice.hot_pressure_pa is None
                else {name: _bar(getattr(choice.hot_pressure_pa, name)) for name in ("low", "likely", "high")},
                "working": list(choice.lines),
                "warnings": list(choice.warnings),
            }
            for choice in choices
        ],
    }


def _litres(band: "Band") -> dict[str, float]:
    return {name: round(1000 * getattr(band, name), 3) for name in ("low", "likely", "high")}


def _bar(pressure_pa: float | None) -> float | None:
    return None if pressure_pa is None else round(pressure_pa / 1e5, 4)
