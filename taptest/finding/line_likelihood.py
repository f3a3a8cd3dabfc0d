"""What one line of taps says of every share of water that a tank may hold.

The line's posterior with its own prior taken off is the likelihood of each picture of the wetted wall; a share of water
and a form of the membrane make a picture. Units are SI; D draws.
"""

import numpy as np
from numpy.typing import NDArray

from taptest.line.boundary import NO_CONTACT, Prior, beyond_points
from taptest.line.records import LineReading
from taptest.tank.contact import Contacts, Forms, contacts, seam_reach_m, water_depth_m
from taptest.tank.kinds import Tank
from taptest.tank.membrane import from_water_end

FloatArray = NDArray[np.float64]

SHORT_OF_SEAM_M = 0.015
"""Wetted wall that ends this far short of the seam or more is not taken as caught there."""
MODEL_FLOOR = 0.005
"""Likelihood that remains for every level, because no model of the sound is sure of itself."""


def blind(tank: Tank, line: LineReading) -> tuple[float, float]:
    """Distances from the water end of the first and of the last point: beyond them a boundary sounds like none."""
    height = tank.shape.height_m
    if line.point_depth_m.size == 0:
        return 0.0, height
    away = np.sort(from_water_end(tank, line.point_depth_m))
    return float(np.clip(away[0], 0, height)), float(np.clip(away[-1], 0, height))


class LineLikelihood:
    """The line's posterior with its prior taken off: 1 means that the taps say nothing."""

    def __init__(self, line: LineReading, tank: Tank, prior: Prior) -> None:
        posterior = line.posterior
        before = prior.of_level(posterior.depth_m, tank)
        self._tank = tank
        self._depth = posterior.depth_m
        self._found = posterior.level_mass / before
        self._cap, self._ring = posterior.cap_depth_m, _unprior(posterior.ring_mass, prior.ring)
        self._foot, self._gas_ring = posterior.foot_depth_m, _unprior(posterior.gas_ring_mass, prior.gas_ring)
        # A boundary beyond the outermost points counts as all air or all water there, in the prior as in the posterior.
        air, water = beyond_points(posterior.depth_m, line.point_depth_m, tank)
        self.all_air = posterior.p_all_air / (prior.all_air + float(air @ before))
        self.all_water = posterior.p_all_water / (prior.all_water + float(water @ before))
        self.inverted = posterior.p_inverted / prior.inverted
        # A line formed without that thought takes a bag that does not touch for no water.
        self.no_contact = posterior.p_no_contact / prior.no_contact if prior.no_contact > 0 else self.all_air
        self._first, self._last = blind(tank, line)

    def rings(self, share: FloatArray, forms: Forms) -> NDArray[np.bool_]:
        """(D,) whether all points ring for a water share a draw: the water ends before the first one."""
        contact = contacts(self._tank, share, forms)
        return np.asarray(contact.reach_m < self._first)

    def of(self, share: FloatArray, forms: Forms, error_m: FloatArray) -> FloatArray:
        """(D,) likelihood of the line for a water share a draw, a form of the membrane and an error of the depth."""
        value = self.of_contact(contacts(self._tank, share, forms), error_m)
        return np.asarray(self.with_loose_bag(value) + MODEL_FLOOR)

    def of_contact(self, contact: Contacts, error_m: FloatArray) -> FloatArray:
        """(D,) likelihood of the wetted wall of each draw, with an error of the depth."""
        value = self._of_level(contact, error_m)
        if self._cap.size:
            cap_m = from_water_end(self._tank, contact.cap_m)
            value = np.where(contact.cap_m > 0.0, self._of_ring(cap_m, contact, value), value)
        if self._foot.size:
            foot_m = from_water_end(self._tank, contact.foot_m)
            has_foot = contact.foot_m < self._tank.shape.height_m
            value = np.where(has_foot, np.interp(foot_m, self._foot, self._gas_ring), value)
        return np.asarray(value)

    def with_loose_bag(self, value: FloatArray) -> FloatArray:
        """(D,) likelihood of a line on which a bag that may not touch at all is taken into account."""
        if not self._tank.has_bag:
            return value
        return np.asarray((1 - NO_CONTACT) * value + NO_CONTACT * self.no_contact)

    def _of_level(self, contact: Contacts, error_m: FloatArray) -> FloatArray:
        """(D,) likelihood of wall that is wet from the water end to the contact's reach."""
        tank, height = self._tank, self._tank.shape.height_m
        depth = np.clip(water_depth_m(tank, contact) + error_m, 0.0, height)
        away = from_water_end(tank, depth)
        value = np.interp(depth, self._depth, self._found)
        value = np.where(away < self._first, np.maximum(value, self.all_air), value)
        value = np.where(away > self._last, np.maximum(value, self.all_water), value)
        dry, full = contact.reach_m <= 0.0, contact.reach_m >= height
        return np.asarray(np.where(dry, self.all_air, np.where(full, self.all_water, value)))

    def _of_ring(self, cap_m: FloatArray, contact: Contacts, of_level: FloatArray) -> FloatArray:
        """(D,) likelihood of a ring; one that ends above the seam is half a ring to the seam and half a level."""
        ring = np.interp(cap_m, self._cap, self._ring)
        short = seam_reach_m(self._tank) - contact.reach_m > SHORT_OF_SEAM_M
        return np.asarray(np.where(short, 0.5 * (ring + of_level), ring))


def _unprior(mass: FloatArray, prior: float) -> FloatArray:
    """Likelihood of places (R,) that were as likely as each other beforehand; 1 where nothing was asked of them."""
    return mass * mass.size / prior if prior > 0 else np.ones_like(mass)
