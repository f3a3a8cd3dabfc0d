"""The single door of the room: where the water ends, how sure that is, or why it cannot be said.

One posterior is formed over: one boundary at every depth with the water on its own side, all air, all water, an
inverted picture, two boundaries, and for a bladder tank a bag that does not touch its shell, which sounds like all air
whatever it holds. With a sweep of the shell model the evidence is the matched profile; two boundaries,
which the model does not know, are weighed as a line on which nothing varies as the model says, plus what the
change-points gain there. Without a sweep the change-points decide alone, the water on the side that the tank names and
the duller part the water's. A line unlike anything the model makes, or one without contrast, is "not found", never
forced into a state. "All air" and "all water" speak of the tapped points: a boundary beyond the outermost point counts
as none.

Depths are metres below the top of the shell. Shapes: P points, B bands, G grid depths.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from taptest.line.absolute import mean_spectrum_evidence
from taptest.line.backing import p_water_at
from taptest.line.matched import MatchSettings, match_profile, refuse_unfit
from taptest.line.naming import SURE_OF_INVERTED, TOO_WIDE, narrows, pictures, state_of, why_open
from taptest.line.points import profile_of
from taptest.line.quality import cautions, striker_caution, too_poor
from taptest.line.records import BoundaryPosterior, LineReading, Point, Profile, Unreadable
from taptest.line.unlabelled import ChangePoints, dullness_db, line_changes
from taptest.shell.records import LevelSweep
from taptest.statements import Said
from taptest.tank.contact import UNKNOWN_SEAM_SD, seam_reach_m
from taptest.tank.kinds import Tank
from taptest.tank.membrane import from_water_end

FloatArray = NDArray[np.float64]

GRID_STEP_M = 0.002
"""Step of the posterior's depths."""
NO_CONTACT = 0.15
"""Prior probability that a bag holds water and yet touches its shell nowhere; own judgement, no source."""
RING, GAS_RING, AT_SEAM = 0.15, 0.04, 0.25
"""Prior probability of a ring of water and of a ring of gas in a hanging diaphragm tank, and share of the boundaries of
a diaphragm tank that lie at the seam: by mechanics (docs/membrane.md), own judgement."""
SEAM_SD_M = 0.009
"""Where the wetted wall ends at the seam, the error of place in it: spread where the seam was noted."""
SELDOM_INVERTED = 0.001
"""Where gravity keeps the air on top, water on the wrong side can only be a mix-up of marks."""
PLACE_SD_M = (0.009, 0.025)
PLACE_TAIL = 0.15
"""Error of place of the model itself, and the wider one that some lines have, with their share: a boundary is a place
in the model's tank, whose wall, heads, rubber and seam are not quite the tank's own."""
UNLIKE = 0.9
"""Share of the variance along the line that the best candidate may leave unexplained before the misfit reaches 1.

Simulated visits, of a second, independent shell model too, leave 0.4 to 0.55 in the median and more than 0.9 in one of
fifty; lines with their points shuffled leave 0.8 to 1.
"""
SENSE_DB = 3.0
"""Difference in dullness between the parts that makes the duller one the water's with odds e to one."""
INVERTED_ROOM = 0.15
"""Share of the grid at either end where an inverted picture could not be told from a whole state: not asked for."""


@dataclass(frozen=True, slots=True)
class Prior:
    """Probability of each state before the taps are heard; one boundary lies evenly over the height of the shell."""

    all_air: float = 0.20
    all_water: float = 0.12
    inverted: float = 0.01
    two: float = 0.01
    no_contact: float = 0.0
    ring: float = 0.0
    """A ring of water down to the seam under a dry cap."""
    gas_ring: float = 0.0
    """A ring of gas under the seam, with wet wall above and below it."""
    at_seam: float = 0.0
    """Share of the boundaries that lie at the seam, where a membrane is clamped and its water is caught."""

    @property
    def found(self) -> float:
        """Probability of one boundary with the water on its own side, rings left out."""
        rest = self.all_air + self.all_water + self.inverted + self.two + self.no_contact
        return 1.0 - rest - self.ring - self.gas_ring

    def of_level(self, depth_m: FloatArray, tank: Tank) -> FloatArray:
        """(G,) probability of one boundary at each depth of an even grid: even, and some of it at the seam."""
        cell = np.ones(depth_m.size)
        cell[[0, -1]] = 0.5
        even = cell / cell.sum()
        return np.asarray(self.found * ((1 - self.at_seam) * even + self.at_seam * end_at_seam(depth_m, tank)))


def end_at_seam(depth_m: FloatArray, tank: Tank) -> FloatArray:
    """(G,) how a boundary at the seam spreads over the grid: one in all."""
    seam = from_water_end(tank, seam_reach_m(tank))
    sd = SEAM_SD_M if tank.seam_depth_m is not None else UNKNOWN_SEAM_SD * tank.shape.height_m
    bell = np.exp(-0.5 * ((depth_m - seam) / sd) ** 2) + 1e-12
    return np.asarray(bell / bell.sum())


def prior_for(tank: Tank) -> Prior:
    """Prior of a tank.

    Where gravity keeps the air on top, water on the wrong side can only be a mix-up of marks; only a bag can hold water
    without touching the shell.
    """
    if tank.clamped and not tank.sideways:
        if tank.hanging:
            return Prior(ring=RING, gas_ring=GAS_RING, at_seam=AT_SEAM)
        return Prior(inverted=SELDOM_INVERTED, at_seam=AT_SEAM)
    no_contact = NO_CONTACT if tank.has_bag else 0.0
    return Prior(inverted=0.01 if tank.hanging else SELDOM_INVERTED, no_contact=no_contact)


@dataclass(frozen=True, slots=True)
class _Evidence:
    """Log-likelihoods of all hypotheses on one grid, up to one constant."""

    depth_m: FloatArray
    boundary: FloatArray
    inverted: FloatArray
    all_air: float
    all_water: float
    two: float
    p_two_water: FloatArray
    unexplained: float = 0.0
    unexplained_inverted: float = 0.0
    cap_depth_m: FloatArray = field(default_factory=lambda: np.zeros(0))
    ring: FloatArray = field(default_factory=lambda: np.zeros(0))
    foot_depth_m: FloatArray = field(default_factory=lambda: np.zeros(0))
    gas_ring: FloatArray = field(default_factory=lambda: np.zeros(0))


def read_line(
    points: Sequence[Point],
    tank: Tank,
    sweeps: Sequence[LevelSweep] | None = None,
    *,
    reference: Sequence[Point] = (),
    prior: Prior | None = None,
    settings: MatchSettings | None = None,
) -> LineReading:
    """Read the line.

    `sweeps` are variants of the tank's level sweep (wall, rubber, ring, heads), each as likely as any other; without
    one the unlabelled change-points decide. `reference` are the taps of the reference point in order of time, one entry
    for each time it was tapped. Raises LineError where no point has a usable tap.
    """
    profile = profile_of(points)
    notes = cautions(profile, points, reference)
    why_not = too_poor(profile, points)
    if why_not is not None:
        return unread_line(profile.depth_m, tank, why_not, notes)
    notes.extend(striker_caution(profile))
    changes = line_changes(profile)
    if sweeps:
        evidence = _model_evidence(profile, sweeps, changes, settings or MatchSettings())
        method = "matched profiles"
    else:
        evidence = _free_evidence(profile, changes, tank)
        method = "change-points"
    posterior, inverted = _posterior(evidence, prior or prior_for(tank), tank)
    posterior = _as_tapped(posterior, profile.depth_m, tank)
    turned = posterior.p_inverted >= SURE_OF_INVERTED
    boundary = replace(posterior, mass=inverted, unheard_mass=None) if turned else posterior
    misfit = (evidence.unexplained_inverted if turned else evidence.unexplained) / UNLIKE
    interval = (boundary.quantile_m(0.05), boundary.quantile_m(0.95))
    wide = interval[1] - interval[0] > TOO_WIDE * tank.shape.height_m
    state = state_of(posterior, misfit, wide)
    if state == "not found":
        notes.insert(0, why_open(posterior, misfit, wide, with_model=bool(sweeps)))
    notes.extend(pictures(posterior))
    found = state == "found"
    return LineReading(
        state=state,
        posterior=posterior,
        depth_m=boundary.quantile_m(0.5) if found else None,
        interval90_m=interval if found else None,
        p_water=p_water_at(profile.depth_m, posterior, tank.water_end, inverted, evidence.p_two_water),
        point_depth_m=profile.depth_m,
        misfit=misfit,
        notes=tuple(notes),
        method=method,
        inverted=found and turned,
        narrows=misfit < 1.0 and not turned and narrows(posterior, tank),
    )


def _model_evidence(
    profile: Profile, sweeps: Sequence[LevelSweep], changes: ChangePoints, settings: MatchSettings
) -> _Evidence:
    """Weigh matched profiles of all variants together with the mean spectrum.

    Two boundaries, which the model does not know, get what the change-points gain on a line without any shape.
    """
    refuse_unfit(profile, sweeps)
    spectrum = settings.absolute_weight * mean_spectrum_evidence(profile, sweeps)
    match = match_profile(profile, sweeps, settings, spectrum)
    _, none, two = _change_evidence(profile, changes, match.depth_m)
    boundary, inverted = _unsure_of_place(match.depth_m, np.stack([match.boundary, match.inverted]))
    return _Evidence(
        depth_m=match.depth_m,
        boundary=boundary,
        inverted=inverted,
        cap_depth_m=match.cap_depth_m,
        ring=_unsure_of_place(match.cap_depth_m, match.ring),
        foot_depth_m=match.foot_depth_m,
        gas_ring=_unsure_of_place(match.foot_depth_m, match.gas_ring),
        all_air=match.all_air,
        all_water=match.all_water,
        two=match.flat + two - none,
        p_two_water=_two_water(profile, changes),
        unexplained=match.unexplained,
        unexplained_inverted=match.unexplained_inverted,
    )


def _unsure_of_place(depth_m: FloatArray, log_likelihood: FloatArray) -> FloatArray:
    """(..., G) log-likelihood with the model's own error of place laid on it; what would leave the grid stays on it."""
    if not depth_m.size:
        return log_likelihood
    apart = np.subtract.outer(depth_m, depth_m)
    near, far = (np.exp(-0.5 * (apart / sd) ** 2) for sd in PLACE_SD_M)
    blur = (1 - PLACE_TAIL) * near / near.sum(axis=1, keepdims=True) + PLACE_TAIL * far / far.sum(axis=1, keepdims=True)
    top = log_likelihood.max(axis=-1, keepdims=True)
    return np.asarray(top + np.log(np.exp(log_likelihood - top) @ blur.T))


def _free_evidence(profile: Profile, changes: ChangePoints, tank: Tank) -> _Evidence:
    """Weigh change-points alone: the water's part is told by the tank's water end and by which part is duller."""
    depth = _plain_grid(tank)
    one, none, two = _change_evidence(profile, changes, depth)
    sense = _sense_log_odds(profile, depth, tank)
    return _Evidence(
        depth_m=depth,
        boundary=one - np.logaddexp(0.0, -sense),
        inverted=one - np.logaddexp(0.0, sense),
        all_air=none,
        all_water=none,
        two=two,
        p_two_water=_two_water(profile, changes),
    )


def _plain_grid(tank: Tank) -> FloatArray:
    """(G,) depths from the top to the bottom of the shell."""
    return np.linspace(0.0, tank.shape.height_m, max(2, round(tank.shape.height_m / GRID_STEP_M) + 1))


def _change_evidence(profile: Profile, changes: ChangePoints, depth_m: FloatArray) -> tuple[FloatArray, float, float]:
    """(G,) log-likelihood of one boundary at each depth, of none, and (averaged over all) of two."""
    P = profile.depth_m.size
    none = float(changes.log_likelihood[0])
    by_cut = np.full(P + 1, none)
    pairs: list[float] = []
    for cut, value in zip(changes.cuts, changes.log_likelihood, strict=True):
        if len(cut) == 1:
            by_cut[cut[0]] = value
        elif len(cut) == 2:
            pairs.append(float(value))
    two = np.array(pairs) if pairs else np.array([none])
    top = float(two.max())
    return by_cut[np.searchsorted(profile.depth_m, depth_m)], none, top + float(np.log(np.exp(two - top).mean()))


def _sense_log_odds(profile: Profile, depth_m: FloatArray, tank: Tank) -> FloatArray:
    """(G,) log-odds that the part at the water end is the water's: the duller of the two."""
    dull = dullness_db(profile)
    P = dull.size
    cut = np.searchsorted(profile.depth_m, depth_m)
    before = np.concatenate(([0.0], np.cumsum(dull)))
    above = before[cut] / np.maximum(cut, 1)
    below = (before[-1] - before[cut]) / np.maximum(P - cut, 1)
    duller_water = below - above if tank.water_end == "bottom" else above - below
    return np.where((cut == 0) | (cut == P), 0.0, duller_water / SENSE_DB)


def _two_water(profile: Profile, changes: ChangePoints) -> FloatArray:
    """(P,) probability of water at each point given two boundaries: the duller backing is the water's."""
    counts = np.array([len(cut) for cut in changes.cuts])
    masses = np.where(counts == 2, changes.mass, 0.0)
    if masses.sum() <= 0:
        return np.full(profile.depth_m.size, 0.5)
    only_two = ChangePoints(changes.cuts, masses / masses.sum(), changes.log_likelihood, changes.points)
    inner = only_two.p_second_state()
    dull = dullness_db(profile)
    inside = float((inner * dull).sum() / max(float(inner.sum()), 1e-9))
    outside = float(((1 - inner) * dull).sum() / max(float((1 - inner).sum()), 1e-9))
    inside_water = 1.0 / (1.0 + np.exp(np.clip((outside - inside) / SENSE_DB, -50, 50)))
    return np.asarray(inner * inside_water + (1 - inner) * (1 - inside_water))


def _posterior(evidence: _Evidence, prior: Prior, tank: Tank) -> tuple[BoundaryPosterior, FloatArray]:
    """All hypotheses weighed; also how the inverted picture spreads over the grid."""
    G, depth = evidence.depth_m.size, evidence.depth_m
    share = np.linspace(0.0, 1.0, G)
    inner = ((share >= INVERTED_ROOM) & (share <= 1.0 - INVERTED_ROOM)) * 1.0
    R, C = evidence.ring.size, evidence.gas_ring.size
    with np.errstate(divide="ignore"):
        parts = [
            evidence.boundary + np.log(prior.of_level(depth, tank)),
            evidence.inverted + np.log(prior.inverted * inner / inner.sum()),
            evidence.ring + np.log(prior.ring / max(R, 1)),
            evidence.gas_ring + np.log(prior.gas_ring / max(C, 1)),
            np.array([evidence.all_air, evidence.all_water, evidence.two, evidence.all_air])
            + np.log([prior.all_air, prior.all_water, prior.two, prior.no_contact]),
        ]
    weight = np.exp(np.concatenate(parts) - max(part.max(initial=-np.inf) for part in parts))
    ends = np.cumsum([part.size for part in parts])[:-1]
    level, inverted, ring, gas, (air, water, two, loose) = np.split(weight / weight.sum(), ends)
    at_seam = end_at_seam(depth, tank) if R or C else None
    rings = 0.0 if at_seam is None else (ring.sum() + gas.sum()) * at_seam
    posterior = BoundaryPosterior(
        depth_m=depth,
        mass=level + rings,
        p_all_air=float(air),
        p_all_water=float(water),
        p_inverted=float(inverted.sum()),
        p_two=float(two),
        p_no_contact=float(loose),
        cap_depth_m=evidence.cap_depth_m,
        ring_mass=ring,
        foot_depth_m=evidence.foot_depth_m,
        gas_ring_mass=gas,
        seam_mass=at_seam,
        unheard_mass=loose * prior.of_level(depth, tank) / prior.found if loose else None,
    )
    return posterior, inverted


def beyond_points(depth_m: FloatArray, point_depth_m: FloatArray, tank: Tank) -> tuple[FloatArray, FloatArray]:
    """Which depths (G,) lie beyond the points (P,): those where all points are air's, and those where all are water's.

    One (1.0) where so, else zero.
    """
    if point_depth_m.size == 0:
        return np.zeros_like(depth_m), np.zeros_like(depth_m)
    above, below = (depth_m < point_depth_m.min()) * 1.0, (depth_m > point_depth_m.max()) * 1.0
    return (above, below) if tank.hanging else (below, above)


def _as_tapped(posterior: BoundaryPosterior, point_depth_m: FloatArray, tank: Tank) -> BoundaryPosterior:
    """Count a boundary beyond the outermost points as what the points show: all air or all water."""
    air, water = beyond_points(posterior.depth_m, point_depth_m, tank)
    levels, unheard = posterior.level_mass, posterior.unheard_mass
    return replace(
        posterior,
        mass=posterior.mass - levels * (air + water),
        unheard_mass=None if unheard is None else unheard * (1 - air - water),
        p_all_air=posterior.p_all_air + float(air @ levels),
        p_all_water=posterior.p_all_water + float(water @ levels),
    )


def unread_line(
    point_depth_m: FloatArray, tank: Tank, unreadable: Unreadable, notes: Sequence[Said] = ()
) -> LineReading:
    """Make a reading that says nothing but why, and further notes: the prior itself, for points (P,) untold."""
    depth = _plain_grid(tank)
    flat = _Evidence(depth, np.zeros_like(depth), np.zeros_like(depth), 0.0, 0.0, 0.0, np.full(1, 0.5))
    posterior, inverted = _posterior(flat, prior_for(tank), tank)
    posterior = _as_tapped(posterior, point_depth_m, tank)
    return LineReading(
        state="not found",
        posterior=posterior,
        depth_m=None,
        interval90_m=None,
        p_water=p_water_at(point_depth_m, posterior, tank.water_end, inverted),
        point_depth_m=point_depth_m,
        misfit=0.0,
        notes=(unreadable.sentence, *notes),
        unreadable=unreadable,
        method="none",
    )
