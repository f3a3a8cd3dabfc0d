"""A second, independent finite-element simulation of tapped tanks: physics that the product was not fitted on.

`python -m tests.bench.second_model OUT --seed 77 --visits 60` writes visits with their truth into OUT, which
`taptest trial OUT` scores. Nothing here is taken from the product's own model of the shell or from its simulator.
Reading order: `outline` (the meridian), `wall` (shell elements), `water` (added mass), `ringing` (modes and losses),
`hearing` (blow, radiation, room, noise), `draws` (tank and story), `folder` (the visit on the disk).

Left out: compressible water, imperfections that split the patterns around the shell, feet and pipe, the follower part
of the pressure and the turning in the sheet's own plane in its prestress, tanks that lie. The water's surface is flat,
behind a diaphragm, too; a boundary lies between the outermost marks or nowhere; visits are cold; no bag stands off.
Units are SI; depths are metres below the top of the shell.
"""
