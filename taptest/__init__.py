"""Tap a closed expansion tank, record it, and learn where the water ends and what follows from it.

The rooms, in reading order, which is also the import order (a module imports only what stands before it):
errors, quantities, disk, water, tank, sound, shell, line, finding, visit, simulate, capture, report, desk, cli.
"""

__version__ = "0.2.0"
