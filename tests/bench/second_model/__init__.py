"""A second, independent finite-element simulation of tapped tanks: physics that the product was not fitted on.

`python -m tests.bench.second_model OUT --seed 77 --visits 60` writes visits with their truth into OUT, which
`taptest trial OUT` scores; `--only NAME` turns one thing on alone, `--bags` makes bag tanks only. Nothing here is taken
from the product's own model of the shell, its simulator or its forms of the membrane.
Reading order: `outline` (the meridian), `hollow` (its inside), `wall` (shell elements), `water` (added mass and own
modes), `pictures` (where the water lies), `pools` (its meshes), `ringing` (modes and losses), `hearing` (blow,
radiation, room, noise), `switches`, `stories` (air and readings), `draws` (tank and fittings), `folder` (the disk).

Left out: imperfections that split the patterns around the shell, pictures that differ by meridian (`pictures` says what
stands for them), the pipe, the follower part of the pressure and the turning in the sheet's own plane in its prestress,
the mass of rubber between water and gas, tanks that lie. Units are SI; depths are metres below the top of the shell.
"""
