"""Made-up readings of a line and made-up visits for the tests of the finding: what is heard and read is known."""

from dataclasses import replace
from typing import Any

import numpy as np

from taptest.finding.records import Case, Readings, SystemFacts
from taptest.line.boundary import end_at_seam, prior_for, unread_line
from taptest.line.records import BoundaryPosterior, BoundaryState, LineReading, Unreadable
from taptest.tank.contact import CAP_AT_NOTHING, CAP_SLOPE, seam_reach_m
from taptest.tank.kinds import Tank, TankKind, WaterEnd
from taptest.tank.membrane import boundary_depth_m
from taptest.tank.shape import Axis, Shape
from taptest.water.fluids import WATER
from taptest.water.pressure import water_share

AIR_PA = 101_325.0
COLD: dict[str, Any] = {"pressure_pa": 1.0e5, "water_temperature_c": 20.0, "tank_temperature_c": 20.0, "state": "cold"}
FILLED: dict[str, Any] = {**COLD, "pressure_pa": 1.4e5}
"""Cold, with the fill raised: a right tank holds a sixth of its volume in water."""
REST = ("p_all_air", "p_all_water", "p_inverted", "p_two", "p_no_contact")
HOT: dict[str, Any] = {"pressure_pa": 1.8e5, "water_temperature_c": 75.0, "tank_temperature_c": 30.0, "state": "hot"}


def made_tank(kind: TankKind = "diaphragm", water_end: WaterEnd = "top", axis: Axis = "vertical", **more: Any) -> Tank:
    """A tank of 300 mm diameter and 21 l."""
    shape = Shape(axis, 0.3, 0.21, "ellipsoidal", 0.0015)
    return Tank(kind, water_end, shape, more.pop("volume_m3", shape.volume_m3), **more)


def made_case(
    tank: Tank, *, system: dict[str, Any] | None = None, seen: dict[str, str] | None = None, **read: Any
) -> Case:
    """A visit at a 120 l system, relief valve 3 bar, static head 7 m, pre-charge stated as 1 bar at 20 C."""
    facts = SystemFacts(
        fluid=WATER, volume_m3=0.12, relief_pa=3e5, fill_pa=1.2e5, max_temperature_c=80.0, static_head_pa=0.7e5
    )
    readings = Readings(precharge_pa=1e5, charged_at_c=20.0)
    return Case(tank, replace(facts, **(system or {})), replace(readings, **{**COLD, **read}), seen or {})


def heard_at(tank: Tank, precharge_pa: float, read: dict[str, Any]) -> LineReading:
    """What a typical tank with a true pre-charge (gauge, at 20 C) lets hear.

    A hanging diaphragm tank shows a ring down to the seam up to 30 % of water, then wall wet to the seam, then past it.
    """
    share = float(water_share(precharge_pa + AIR_PA, read["pressure_pa"] + AIR_PA, read["tank_temperature_c"], 20.0))
    if share <= 0.0:
        return heard(tank, "all air")
    if tank.kind != "diaphragm" or not tank.hanging:
        return heard(tank, "found", level_for(tank, precharge_pa, read, 0.0 if tank.kind == "diaphragm" else 0.5))
    seam = seam_reach_m(tank)
    if share < 0.3:
        return ring_heard(tank, (CAP_AT_NOTHING - CAP_SLOPE * share**0.5) * seam)
    below = 0.0 if share < 0.5 else 1.8 * (share - 0.5) * (tank.shape.height_m - seam)
    return heard(tank, "found", seam + below)


def ring_heard(tank: Tank, cap_m: float, sd_m: float = 0.008, sure: float = 0.97) -> LineReading:
    """A line on which a ring of water is heard, from the edge of a dry cap down to the seam."""
    line = heard(tank, "found", seam_reach_m(tank), sure=1 - sure)
    caps = np.linspace(0.002, CAP_AT_NOTHING * seam_reach_m(tank), 24)
    bell = np.exp(-0.5 * ((caps - cap_m) / sd_m) ** 2) + 1e-9
    at_seam = end_at_seam(line.posterior.depth_m, tank)
    rest = {name: (1 - sure) * getattr(line.posterior, name) for name in REST}
    posterior = replace(
        line.posterior,
        mass=(1 - sure) * line.posterior.mass + sure * at_seam,
        **rest,
        cap_depth_m=caps,
        ring_mass=sure * bell / bell.sum(),
        seam_mass=at_seam,
    )
    ends = (posterior.quantile_m(0.05), posterior.quantile_m(0.95))
    return replace(line, state="found", posterior=posterior, depth_m=posterior.quantile_m(0.5), interval90_m=ends)


def level_for(tank: Tank, precharge_pa: float, read: dict[str, Any], mixing: float = 0.5) -> float:
    """Depth at which the water ends for a true pre-charge (gauge, at 20 C)."""
    share = water_share(precharge_pa + AIR_PA, read["pressure_pa"] + AIR_PA, read["tank_temperature_c"], 20.0)
    return float(boundary_depth_m(tank, share, mixing))


def heard(
    tank: Tank,
    state: str,
    depth_m: float | None = None,
    *,
    sd_m: float = 0.012,
    sure: float = 0.97,
    misfit: float = 0.3,
    notes: tuple[str, ...] = (),
) -> LineReading:
    """A line on which `state` is heard: a boundary state, "inverted" or "two"; one boundary is a bell at `depth_m`."""
    height = tank.shape.height_m
    grid = np.linspace(0.0, height, round(height / 0.002) + 1)
    points = np.linspace(0.03, height - 0.03, 12)
    rest, prior = 1 - sure, prior_for(tank)
    turned = 10.0 * prior.inverted * rest  # a tenth of the rest where the line may well be inverted
    share = {
        "found": 0.35 * rest - turned,
        "all air": 0.25 * rest,
        "all water": 0.25 * rest,
        "inverted": turned,
        "two": 0.15 * rest,
    }
    no_contact = 0.0
    if state == "not found":
        return replace(
            unread_line(points, tank, Unreadable("", "")), misfit=misfit, method="", notes=notes, unreadable=None
        )
    share[state] += sure
    if state == "all air" and prior.no_contact:
        # A bag that does not touch its shell sounds like no water, so the line leaves both open.
        touches = prior.all_air / (prior.all_air + prior.no_contact)
        no_contact = (1 - touches) * share[state]
        share[state] *= touches
    bell = np.ones_like(grid)
    turned_over = share["inverted"] >= 0.5
    if turned_over and depth_m is None:
        depth_m = height / 2
    if depth_m is not None:
        bell = np.exp(-0.5 * ((grid - depth_m) / sd_m) ** 2) + 1e-9
    posterior = BoundaryPosterior(
        grid,
        share["found"] * bell / bell.sum(),
        share["all air"],
        share["all water"],
        share["inverted"],
        share["two"],
        no_contact,
    )
    named: BoundaryState = "not found"
    if state in ("found", "all air", "all water") and not no_contact:
        named = state  # type: ignore[assignment]
    if turned_over and misfit < 1.0:
        named = "found"
    found = named == "found"
    return LineReading(
        state=named,
        posterior=posterior,
        depth_m=posterior.quantile_m(0.5) if found else None,
        interval90_m=(posterior.quantile_m(0.05), posterior.quantile_m(0.95)) if found else None,
        p_water=np.full(points.size, 0.5),
        point_depth_m=points,
        misfit=misfit,
        notes=notes,
        inverted=found and turned_over,
    )
