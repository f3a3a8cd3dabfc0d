"""Cylinders and plates with ideal edges, for comparing the shell model with published values."""

import numpy as np
from numpy.typing import NDArray

from taptest.shell.fluid import WaterColumn, radial_fractions
from taptest.shell.meridian import mesh_of, open_cylinder
from taptest.shell.records import Material
from taptest.shell.vibration import DryShell, Edge, Theory, dry_basis

FloatArray = NDArray[np.float64]


def cylinder(
    radius: float,
    length: float,
    wall: float,
    material: Material,
    pressure: float = 0.0,
    *,
    theory: Theory = "sanders",
    inertia: bool = True,
    elements: int = 60,
) -> DryShell:
    """A cylinder without heads."""
    mesh = mesh_of(open_cylinder(radius, length), length / elements)
    return DryShell(mesh, np.full(len(mesh.segment), wall), material, pressure, theory=theory, inplane_inertia=inertia)


def frequencies(shell: DryShell, n: int, first: Edge, last: Edge | None = None, count: int = 4) -> FloatArray:
    """Lowest dry frequencies of one harmonic."""
    return dry_basis(shell, n, 1.0, first, last or first, least=count).frequency_hz[:count]


def wet_lowest(
    shell: DryShell, n: int, edges: tuple[Edge, Edge], shares: FloatArray, density: float = 1000.0
) -> FloatArray:
    """Lowest frequency at each fill share (nearest line of the mesh), rigid bottom, free surface."""
    from scipy.linalg import eigh

    basis = dry_basis(shell, n, 1.0, *edges, least=40)
    radius = float(shell.points.radius_m.max())
    column = WaterColumn(shell, radial_fractions(radius, radius / 30, 1.4))
    heights = column.line_heights_m()
    levels = np.array([int(np.argmin(np.abs(heights - share * heights[-1]))) for share in shares])
    added = column.added_mass(n, basis.normal, levels, density)
    omega2 = np.diag((2 * np.pi * basis.frequency_hz) ** 2)
    unit = np.eye(len(omega2))
    return np.array([np.sqrt(eigh(omega2, unit + mass, eigvals_only=True)[0]) for mass in added]) / (2 * np.pi)
