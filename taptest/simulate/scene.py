"""What is true of one invented visit: tank, air charge, water, fault; and what the technician knows of it.

Goal: every number of a simulated visit except its sound, drawn from a seed so that physics ties them together: the true
pre-charge and the system's water set the pressure and the water held (gas law), the water held sets the wall that it
wets (`simulate.wetted`), and the papers and the gauge tell a slightly different story than the truth.

Conventions: SI units, gauge pascals unless a name says abs, degrees Celsius, depths in metres below the top of the
shell. Each purpose draws from a random stream of its own, so that switching one mismatch on leaves the rest of the
visit as it was.
"""

from dataclasses import dataclass, replace
from typing import Literal, TypeVar, get_args

import numpy as np

from taptest.errors import PhysicsError
from taptest.quantities import STANDARD_ATMOSPHERE_PA
from taptest.shell.records import Losses, ShellSpec
from taptest.simulate.wetted import FORMS, Bag, Form, Wetted, draw_wetted, form_chances
from taptest.tank.kinds import Tank, TankKind, WaterEnd
from taptest.tank.shape import HeadKind, Shape
from taptest.water.fluids import WATER, Fluid, FluidKind, density, net_expansion
from taptest.water.pressure import water_share

Difficulty = Literal["easy", "field", "hard"]
Fault = Literal["healthy", "slow loss", "waterlogged", "no water", "over-charged", "torn membrane", "too small"]
Switch = Literal[
    "other-heads",
    "other-damping",
    "stiff-ring",
    "wall-off",
    "uneven-edge",
    "moving-microphone",
    "striker-change",
    "gain-riding",
    "split-modes",
    "bag-barely-touches",
    "bag-touches-partly",
    "bag-stands-off",
    "loose-rubber",
    "lossy-strap",
    "soft-blows",
    "height-with-fitting",
    "microphone-moved",
    "membrane-lags",
]
Name = TypeVar("Name", bound=str)
DIFFICULTIES: tuple[Difficulty, ...] = get_args(Difficulty)
FAULTS: tuple[Fault, ...] = get_args(Fault)
SWITCHES: tuple[Switch, ...] = get_args(Switch)

FAULT_SHARES: dict[Fault, float] = {
    "healthy": 0.38,
    "slow loss": 0.18,
    "waterlogged": 0.12,
    "no water": 0.08,
    "over-charged": 0.08,
    "torn membrane": 0.08,
    "too small": 0.08,
}
"""How often each fault is drawn: our own choice, so that each is met often enough to be judged."""
MISMATCH_SHARE: dict[Difficulty, float] = {"easy": 0.0, "field": 0.2, "hard": 0.55}
"""Chance of each mismatch where the switches are left to the difficulty."""
OFTENER: dict[Switch, float] = {
    "bag-touches-partly": 2.0,
    "bag-stands-off": 3.0,
    "loose-rubber": 1.5,
    "soft-blows": 1.5,
    "height-with-fitting": 0.6,
}
"""How many times as often these are drawn, up to nine times in ten: our own judgement."""
HEADS: dict[TankKind, tuple[HeadKind, ...]] = {
    "diaphragm": ("ellipsoidal", "ellipsoidal", "torispherical", "hemispherical"),
    "bladder": ("ellipsoidal", "torispherical"),
    "plain": ("torispherical", "ellipsoidal", "flat"),
}
TOLERANCE_SHARE = 0.075
"""A tank with this share of its air more or less still counts as right: 0.15 bar of a pre-charge of 1 bar gauge."""
TRIES = 4000
"""Tanks and stories drawn in search of a form that was asked for."""


@dataclass(frozen=True, slots=True)
class Truth:
    """The state of the tank as it really is."""

    fault: Fault
    findings: tuple[str, ...]
    """Findings that would be right, the best first."""
    precharge_pa: float
    """Gauge pressure of the air charge at `charged_at_c` with no water in the tank."""
    pressure_pa: float
    """True pressure of the system at the tank."""
    shell_pressure_pa: float
    """Pressure inside the shell: above the system's where an air charge keeps the water out or a valve is shut."""
    kept_air: float
    """Air in the tank over the air of the papers' charge, as absolute pressures."""
    water_share: float
    water_m3: float
    water_end: WaterEnd
    """The end at which the water really is."""
    tank_c: float
    water_c: float
    state: Literal["cold", "hot"]
    charged_at_c: float = 20.0


@dataclass(frozen=True, slots=True)
class Story:
    """The truth and the system around it."""

    truth: Truth
    fluid: Fluid
    system_m3: float
    relief_pa: float
    fill_pa: float
    nominal_pa: float
    """Pre-charge on the papers."""
    head_m: float
    max_c: float


@dataclass(frozen=True, slots=True)
class Scene:
    """One invented visit without its sound."""

    seed: int
    difficulty: Difficulty
    switches: tuple[Switch, ...]
    tank: Tank
    """The true tank."""
    truth: Truth
    wetted: Wetted
    """The wall that has water behind it."""
    spec: ShellSpec
    """The true shell for the model, its hidden losses and ring included."""
    damping_tilt: float
    """Exponent by which true damping differs from constant loss factors; 0 where it does not."""
    split: float
    """Relative split of the twin modes of a shell that is not quite round."""
    edge_rise_m: float
    """How much deeper an edge that only rubber shapes lies on the tapped line than around the tank on average."""
    positions_m: tuple[float, ...]
    """Depths as the technician notes them."""
    tape_error_m: float
    """True depth less noted depth, the same for all points."""
    tables: dict[str, dict[str, str]]
    """What the technician knows, as the tables of a tank.toml."""
    story: Story
    """The system around the tank, and the truth when the tank was found."""
    take: int = 1
    """Which round of the visit it is: the hand and the noise are others each time."""

    def stream(self, purpose: str) -> np.random.Generator:
        """Return the random stream of one purpose that is another one in each round."""
        return stream(self.seed, purpose if self.take == 1 else f"{purpose} {self.take}")

    @property
    def spacing_m(self) -> float:
        """Usual distance between neighbouring points."""
        return float(np.median(np.diff(self.positions_m)))


def known(name: str, names: tuple[Name, ...], what: str) -> Name:
    """Return `name` as one of `names`. Raises `PhysicsError` with the known ones where it is none."""
    for each in names:
        if each == name:
            return each
    raise PhysicsError(f"There is no {what} called {name!r}; known are: {', '.join(names)}.")


def stream(seed: int, purpose: str) -> np.random.Generator:
    """Return the random stream of one purpose of one seed."""
    return np.random.default_rng([seed, *purpose.encode()])


def draw_switches(seed: int, difficulty: Difficulty, asked: tuple[Switch, ...] | None) -> tuple[Switch, ...]:
    """Return the mismatches of a visit: those asked for, or where None is asked those that the difficulty draws."""
    if asked is not None:
        named = {known(name, SWITCHES, "mismatch") for name in asked}
        return tuple(name for name in SWITCHES if name in named)
    lots = stream(seed, "switches").random(len(SWITCHES))
    usual = MISMATCH_SHARE[difficulty]
    chances = [min(usual * OFTENER.get(name, 1.0), 0.9) for name in SWITCHES]
    return tuple(name for name, lot, chance in zip(SWITCHES, lots, chances, strict=True) if lot < chance)


def draw_scene(
    seed: int,
    difficulty: Difficulty,
    switches: tuple[Switch, ...] | None = None,
    fault: Fault | None = None,
    forms: tuple[Form, ...] = FORMS,
) -> Scene:
    """Draw a visit. `fault` asks for one; None leaves it to the seed. `forms` are those that the water may take.

    Raises `PhysicsError` for unknown names, and where no tank can have what is asked for.
    """
    known(difficulty, DIFFICULTIES, "difficulty")
    active = draw_switches(seed, difficulty, switches)
    tank, story = _draw_tank_and_story(seed, fault, forms)
    truth = story.truth
    wetted = draw_wetted(
        stream(seed, "form"),
        tank,
        truth.water_share,
        torn=_torn(truth),
        asked=forms,
        bag=_draw_bag(stream(seed, "bag"), tank, active),
    )
    return scene_of(seed, difficulty, active, tank, story, wetted)


def _draw_tank_and_story(seed: int, fault: Fault | None, forms: tuple[Form, ...]) -> tuple[Tank, Story]:
    """Draw tanks and stories until one can have the fault and one of the forms that are asked for."""
    rng, of_story = stream(seed, "tank"), stream(seed, "story")
    for _ in range(TRIES):
        tank = _draw_tank(rng)
        lot = str(rng.choice(list(FAULT_SHARES), p=list(FAULT_SHARES.values())))
        chosen: Fault = next(name for name in FAULTS if name == lot) if fault is None else fault
        if chosen == "torn membrane" and not tank.has_membrane:
            if fault is not None:  # three tanks in four have a membrane
                continue
            chosen = "slow loss"
        story = _draw_story(of_story, tank, chosen)
        if set(forms) & set(form_chances(tank, story.truth.water_share, _torn(story.truth))):
            return tank, story
    asked = f"the form {' or '.join(forms)}" + ("" if fault is None else f" and the fault {fault}")
    raise PhysicsError(f"No visit with {asked} can be made: ask for another form or fault.")


def _torn(truth: Truth) -> bool:
    return truth.fault == "torn membrane"


def _draw_bag(rng: np.random.Generator, tank: Tank, active: tuple[Switch, ...]) -> Bag:
    """Draw how a bag lies on its shell; every other tank has full contact."""
    partly, barely, off = float(rng.uniform(0.0, 1.0)), float(rng.uniform(0.0, 0.25)), float(rng.uniform(0.0, 1.0))
    if tank.kind != "bladder":
        return Bag()
    touch = barely if "bag-barely-touches" in active else partly if "bag-touches-partly" in active else 1.0
    return Bag(touch, 0.34 * off**4 if "bag-stands-off" in active else 0.0)


def scene_of(
    seed: int, difficulty: Difficulty, switches: tuple[Switch, ...], tank: Tank, story: Story, wetted: Wetted
) -> Scene:
    """Put tank, story and water together with what is left to chance: the hidden shell, the line, the papers."""
    believed_heads, true_heads = _heads(stream(seed, "heads"), tank.shape, "other-heads" in switches)
    wall = _true_wall(stream(seed, "wall"), tank.shape.wall_m, difficulty, "wall-off" in switches)
    know = stream(seed, "knowledge")
    positions = _draw_positions(know, tank)
    spec = _spec(stream(seed, "shell"), tank, story, true_heads, wall, switches)
    fitting = float(stream(seed, "fitting").uniform(0.02, 0.06)) if "height-with-fitting" in switches else 0.0
    # more of a small tank would not go with its volume, and so be noticed on site
    fitting = min(fitting, 0.12 * tank.shape.height_m)
    return Scene(
        seed=seed,
        difficulty=difficulty,
        switches=switches,
        tank=tank,
        truth=story.truth,
        wetted=wetted,
        spec=_with_extras(stream(seed, "extras"), tank, spec, wetted.bag, switches),
        damping_tilt=float(stream(seed, "tilt").uniform(-0.5, 0.5)) if "other-damping" in switches else 0.0,
        split=float(stream(seed, "split").uniform(5e-4, 4e-3)) if "split-modes" in switches else 0.0,
        edge_rise_m=float(stream(seed, "edge").uniform(-0.02, 0.02)) if "uneven-edge" in switches else 0.0,
        positions_m=positions,
        tape_error_m={"easy": 0.0005, "field": 0.002, "hard": 0.003}[difficulty] * float(know.standard_normal()),
        tables=_tables(know, tank, story, believed_heads, difficulty, fitting),
        story=story,
    )


# ---------------------------------------------------------------- the tank


def _draw_tank(rng: np.random.Generator) -> Tank:
    """Draw a tank of 4 to 300 l: small ones with a diaphragm, large ones with a bag, plain ones of all sizes."""
    lot = rng.random()
    kind: TankKind = "diaphragm" if lot < 0.5 else "bladder" if lot < 0.75 else "plain"
    water_end: WaterEnd = "top" if kind == "diaphragm" and rng.random() < 0.6 else "bottom"
    least, most = {"diaphragm": (4.0, 80.0), "bladder": (50.0, 300.0), "plain": (25.0, 300.0)}[kind]
    litres = float(np.exp(rng.uniform(np.log(least), np.log(most))))
    heads = HEADS[kind]
    head = heads[int(rng.integers(len(heads)))]
    slender = float(rng.uniform(*{"diaphragm": (1.05, 1.6), "bladder": (1.2, 1.9), "plain": (1.4, 2.4)}[kind]))
    unit = Shape("vertical", 1.0, max(slender - 2.0 * _head_depth(head), 0.12), head, 0.005)
    diameter = float(np.clip((litres / 1000.0 / unit.volume_m3) ** (1.0 / 3.0), 0.2, 0.65))
    wall = float(np.clip(diameter * rng.uniform(0.0042, 0.0062), 0.001, 0.003))
    straight = _straight_for(litres / 1000.0, diameter, head, wall)
    lying = kind == "plain" and rng.random() < 0.5
    shape = Shape("horizontal" if lying else "vertical", diameter, straight, head, wall)
    seam = shape.height_m * float(rng.uniform(0.47, 0.53)) if kind == "diaphragm" else None
    return Tank(kind, water_end, shape, shape.volume_m3, seam_depth_m=seam)


def _head_depth(head: HeadKind) -> float:
    """Depth of a head of unit diameter, near enough to choose a proportion."""
    return {"ellipsoidal": 0.25, "torispherical": 0.17, "hemispherical": 0.5, "flat": 0.0}[head]


def _straight_for(volume_m3: float, diameter_m: float, head: HeadKind, wall_m: float) -> float:
    """Length of cylinder that makes the volume; at least a little, as no tank is made of two heads alone."""
    bare = Shape("vertical", diameter_m, 0.0, head, wall_m)
    return max(float((volume_m3 - bare.volume_m3) / (np.pi / 4.0 * bare.inner_diameter_m**2)), 0.1 * diameter_m)


def _heads(rng: np.random.Generator, shape: Shape, other: bool) -> tuple[HeadKind, HeadKind]:
    """Heads as believed, and as they are: another kind of like depth where the mismatch is on."""
    if not other:
        return shape.head, shape.head
    likely: dict[HeadKind, tuple[HeadKind, ...]] = {
        "ellipsoidal": ("torispherical",),
        "torispherical": ("ellipsoidal", "flat"),
        "hemispherical": ("ellipsoidal",),
        "flat": ("torispherical",),
    }
    choice = likely[shape.head]
    return choice[int(rng.integers(len(choice)))], shape.head


def _true_wall(rng: np.random.Generator, nominal_m: float, difficulty: Difficulty, off: bool) -> float:
    """Wall as rolled: within a few per cent of what the papers say, or 10 % off either way."""
    sign, scatter = (1.0 if rng.random() < 0.5 else -1.0), float(rng.standard_normal())
    if off:
        return nominal_m * (1.0 + 0.10 * sign)
    return nominal_m * (1.0 + {"easy": 0.003, "field": 0.02, "hard": 0.03}[difficulty] * scatter)


# ---------------------------------------------------------------- the story: charge, water, pressure


def _abs(gauge_pa: float) -> float:
    return gauge_pa + STANDARD_ATMOSPHERE_PA


def _draw_story(rng: np.random.Generator, tank: Tank, fault: Fault) -> Story:
    """Draw until the story holds together, be it one that taps can show or not."""
    for _ in range(400):
        story = _one_story(rng, tank, fault)
        if story is not None:
            return story
    raise PhysicsError(f"No visit with the fault {fault!r} can be made for this tank: ask for another seed or fault.")


def _one_story(rng: np.random.Generator, tank: Tank, fault: Fault) -> Story | None:
    """Draw one consistent story: filled cold to the fill pressure, heated, relieved where it must be."""
    head_m = float(rng.uniform(2.0, 11.0))
    low = np.ceil((head_m / 10.2 + 0.15) * 20.0) / 20.0
    nominal = 0.0 if tank.kind == "plain" else 1e5 * float(np.clip(low, 0.5, 1.5))
    fill = max(nominal, 1e5 * head_m / 10.2) + 1e5 * float(rng.uniform(0.05, 0.4))
    relief = 3.0e5 if rng.random() < 0.75 else 2.5e5
    fluid = WATER if rng.random() < 0.8 else Fluid(_glycol(rng), float(rng.choice([0.2, 0.3, 0.4])))
    max_c, charged = float(rng.choice([70.0, 75.0, 80.0, 85.0])), 20.0
    hot = bool(rng.random() < (0.75 if fault in ("no water", "over-charged") else 0.5))
    water_c = float(rng.uniform(55.0, max_c)) if hot else float(rng.uniform(12.0, 24.0))
    tank_c = float(rng.uniform(24.0, 42.0)) if hot else float(rng.uniform(14.0, 22.0))
    charge = _abs(nominal) * _kept_air(rng, fault) - STANDARD_ATMOSPHERE_PA
    expansion = float(net_expansion(fluid, 15.0, max_c))
    room = 1.0 - _abs(fill) / _abs(relief - 5e4)
    room *= 1.0 - float(water_share(_abs(nominal), _abs(fill)))
    if room <= 0.02:
        return None
    # Healthy systems use part of the tank's room; a tank is too small where the system asks for more than there is.
    demand = float(rng.uniform(1.6, 2.6)) if fault == "too small" else float(rng.uniform(0.4, 0.8))
    system_m3 = demand * room * tank.volume_m3 / expansion
    grown = float(net_expansion(fluid, 15.0, water_c)) * system_m3 / tank.volume_m3 if hot else 0.0
    if fault == "too small" and hot:
        return None  # A too small tank is met cold here: hot, its relief valve has already let the evidence go.
    share, pressure, shell = settle(_abs(charge), _abs(fill), _abs(relief), grown, (tank_c, charged))
    if fault == "no water" and hot:
        pressure = _abs(relief)  # cut off: nothing takes up the growth, and the relief valve holds the pressure
    truth = truth_from(rng, tank, fault, (charge, share, pressure, shell), (tank_c, water_c, hot), nominal)
    return Story(truth, fluid, system_m3, relief, fill, nominal, head_m, max_c)


def _glycol(rng: np.random.Generator) -> FluidKind:
    return "propylene glycol" if rng.random() < 0.7 else "ethylene glycol"


def _kept_air(rng: np.random.Generator, fault: Fault) -> float:
    """Draw the air that a tank holds over what its papers say; no gap parts a right charge from a wrong one."""
    if fault == "slow loss":
        return float(rng.uniform(0.3, 1.0 - TOLERANCE_SHARE))
    if fault == "waterlogged":
        return float(rng.choice([0.001, rng.uniform(0.02, 0.3)]))
    if fault == "over-charged":
        slight = rng.random() < 0.7
        low, high = (1.0 + TOLERANCE_SHARE, 1.4) if slight else (1.4, 1.9)
        return float(rng.uniform(low, high))
    sd = {"healthy": 0.4, "too small": 0.2}.get(fault, 0.3) * TOLERANCE_SHARE
    return 1.0 + float(np.clip(sd * rng.standard_normal(), -TOLERANCE_SHARE, TOLERANCE_SHARE))


def settle(
    charge_abs: float, fill_abs: float, relief_abs: float, grown: float, temperatures_c: tuple[float, float]
) -> tuple[float, float, float]:
    """Water share, system and shell pressure (absolute) after filling cold and growing by `grown` tank volumes.

    The fill valve holds `fill_abs` cold; growth is taken in by the tank, and the relief valve holds its pressure.
    """
    tank_c, charged_c = temperatures_c
    warm = (tank_c + 273.15) / (charged_c + 273.15)
    cold_share = max(0.0, 1.0 - charge_abs / fill_abs)
    share = cold_share + grown
    if share <= 0.0:
        return 0.0, fill_abs, max(fill_abs, charge_abs * warm)
    pressure = charge_abs * warm / max(1.0 - share, 1e-6)
    if grown == 0.0:
        pressure = fill_abs
        share = max(0.0, 1.0 - charge_abs * warm / pressure)
    elif pressure > relief_abs:
        pressure = relief_abs
        share = max(0.0, 1.0 - charge_abs * warm / pressure)
    return share, pressure, max(pressure, charge_abs * warm)


def truth_from(
    rng: np.random.Generator,
    tank: Tank,
    fault: Fault,
    settled: tuple[float, float, float, float],
    weather: tuple[float, float, bool],
    nominal_pa: float,
) -> Truth:
    """Return what is true, with the two faults that break the simple picture: a shut line and a torn membrane.

    `settled` is the charge (gauge), the share of water, and the absolute pressures of system and shell; `weather` is
    the tank's and the water's temperature and whether the system is hot; `nominal_pa` the charge of the papers.
    """
    charge, share, pressure_abs, shell_abs = settled
    tank_c, water_c, hot = weather
    water_end, warm = tank.water_end, (tank_c + 273.15) / 293.15
    if fault == "no water":
        share, shell_abs = 0.0, _abs(charge) * warm
    if fault == "torn membrane":
        share = 1.0 if rng.random() < 0.35 else float(rng.uniform(0.45, 0.93))
        shell_abs = pressure_abs
        charge = (1.0 - share) * pressure_abs / warm - STANDARD_ATMOSPHERE_PA
        water_end = "bottom" if share < 1.0 else tank.water_end
    if share > 0.995:
        share = 1.0
    kept = _abs(charge) / _abs(nominal_pa)
    return Truth(
        fault=fault,
        findings=_findings(tank, fault, share, water_end) + _neighbours(fault, kept),
        precharge_pa=charge,
        pressure_pa=pressure_abs - STANDARD_ATMOSPHERE_PA,
        shell_pressure_pa=shell_abs - STANDARD_ATMOSPHERE_PA,
        kept_air=kept,
        water_share=share,
        water_m3=share * tank.volume_m3,
        water_end=water_end,
        tank_c=tank_c,
        water_c=water_c,
        state="hot" if hot else "cold",
    )


def _findings(tank: Tank, fault: Fault, share: float, water_end: WaterEnd) -> tuple[str, ...]:
    """Name the findings that would be right for a fault; where sound cannot tell two apart, both are."""
    if fault == "torn membrane":
        if water_end != tank.water_end:
            return ("membrane failed",)
        return ("waterlogged", "membrane failed") if share >= 0.75 else ("low on air", "waterlogged", "membrane failed")
    if fault == "slow loss":
        return ("low on air", "waterlogged") if share > 0.7 else ("low on air",)
    if fault == "waterlogged":
        return ("waterlogged",) if share > 0.9 else ("waterlogged", "low on air")
    return {
        "healthy": ("as expected",),
        "no water": ("more air than expected",),
        "over-charged": ("more air than expected",),
        "too small": ("too small",),
    }[fault]


def _neighbours(fault: Fault, kept: float) -> tuple[str, ...]:
    """Name the finding beyond the edge of the tolerance where the air kept lies within half of it."""
    loss, excess = (abs(kept - edge) <= TOLERANCE_SHARE / 2.0 for edge in (1 - TOLERANCE_SHARE, 1 + TOLERANCE_SHARE))
    if fault == "healthy":
        return ("low on air",) if loss else ("more air than expected",) if excess else ()
    near = (fault == "slow loss" and loss) or (fault == "over-charged" and excess)
    return ("as expected",) if near else ()


# ---------------------------------------------------------------- the shell for the model


def _spec(
    rng: np.random.Generator, tank: Tank, story: Story, heads: HeadKind, wall_m: float, active: tuple[Switch, ...]
) -> ShellSpec:
    """Draw the shell as the vibration model needs it, with losses and a ring that nobody has written down."""
    truth, shape = story.truth, tank.shape
    wide = "other-damping" in active
    structural = np.exp(rng.uniform(np.log(0.0015), np.log(0.012))) if wide else np.exp(rng.uniform(-5.9, -5.2))
    water = np.exp(rng.uniform(np.log(0.001), np.log(0.015))) if wide else np.exp(rng.uniform(-5.9, -5.2))
    losses = Losses(
        structural=float(structural),
        water=float(water),
        rubber=float(rng.uniform(0.06, 0.16)),
        ring=float(rng.uniform(0.01, 0.04)),
        air_radiation=float(rng.uniform(0.8, 1.2)),
    )
    ring_mass, ring_area = float(rng.uniform(0.1, 0.4)), float(rng.uniform(5e-11, 4e-10))
    stiff_mass, stiff_area = float(rng.uniform(0.8, 2.5)), float(rng.uniform(2e-9, 8e-9))
    seam = tank.seam_depth_m
    if "stiff-ring" in active:
        ring_mass, ring_area = stiff_mass, stiff_area
        seam = shape.length_m / 2.0 if seam is None else seam
    rubber_from, rubber_to = _rubber(tank, truth)
    spec = ShellSpec(
        axis=shape.axis,
        diameter_m=shape.diameter_m,
        straight_m=shape.straight_m,
        head=heads,
        wall_m=wall_m,
        pressure_pa=max(truth.shell_pressure_pa, 0.0),
        head_wall_m=wall_m * float(rng.uniform(0.92, 1.05)),
        seam_depth_m=seam,
        ring_mass_kg_m=ring_mass if seam is not None else 0.0,
        ring_stiffness=ring_area if seam is not None else 0.0,
        rubber_kg_m2=float(rng.uniform(1.5, 3.5)) if rubber_from is not None else 0.0,
        rubber_from_m=rubber_from,
        rubber_to_m=rubber_to,
        water_end=truth.water_end,
        water_density_kg_m3=float(density(story.fluid, truth.tank_c)),
        end_fitting_kg=float(rng.uniform(0.2, 1.2)),
        fitting_end=tank.water_end,
        losses=losses,
    )
    if tank.kind != "bladder":
        return spec
    return replace(spec, losses=replace(losses, bag=float(rng.uniform(0.003, 0.03))))


def _with_extras(
    rng: np.random.Generator, tank: Tank, spec: ShellSpec, bag: Bag, active: tuple[Switch, ...]
) -> ShellSpec:
    """Lay a bag on the wall as far as it touches, rubber that lies loosely, a strap."""
    loose = float(rng.uniform(0.3, 1.0))
    depth, weight, loss = tank.shape.height_m * float(rng.uniform(0.1, 0.9)), *rng.uniform([1.0, -3.5], [6.0, -1.2])
    losses = spec.losses
    if bag.touch < 1.0:
        spec = replace(spec, water_density_kg_m3=spec.water_density_kg_m3 * bag.touch)
        losses = replace(losses, water=losses.water * bag.touch, bag=losses.bag * bag.touch)
    if "loose-rubber" in active:
        spec, losses = (
            replace(spec, rubber_kg_m2=spec.rubber_kg_m2 * loose),
            replace(losses, rubber=losses.rubber * loose),
        )
    if "lossy-strap" in active and spec.axis == "vertical":
        spec = replace(spec, strap_depth_m=depth, strap_kg_m2=float(weight), strap_loss=float(np.exp(loss)))
    return replace(spec, losses=losses)


def _rubber(tank: Tank, truth: Truth) -> tuple[float | None, float | None]:
    """Where a whole diaphragm lies on dry wall and not on wet: the water's half, up to the seam it is clamped in."""
    if tank.kind != "diaphragm" or tank.seam_depth_m is None or _torn(truth):
        return None, None
    return (0.0, tank.seam_depth_m) if tank.hanging else (tank.seam_depth_m, tank.shape.height_m)


# ---------------------------------------------------------------- what the technician knows


def _draw_positions(rng: np.random.Generator, tank: Tank) -> tuple[float, ...]:
    """Depths of the points: even steps of 20 to 40 mm, a hand's breadth off the poles, moved off the seam."""
    height = tank.shape.height_m
    step = float(np.clip(np.ceil(height / rng.uniform(13.0, 20.0) / 0.005) * 0.005, 0.02, 0.04))
    first = float(rng.uniform(0.06, 0.11)) * height
    count = int((height - first - 0.07 * height) / step) + 1
    depth = np.round(first + step * np.arange(count), 3)
    if tank.seam_depth_m is not None:
        off = depth - tank.seam_depth_m
        close = np.abs(off) < 0.4 * step
        depth = np.where(close, tank.seam_depth_m + np.where(off < 0.0, -0.4, 0.4) * step, depth)
    return tuple(float(d) for d in np.round(depth, 3))


def _tables(
    rng: np.random.Generator, tank: Tank, story: Story, heads: HeadKind, difficulty: Difficulty, fitting_m: float
) -> dict[str, dict[str, str]]:
    """Write what the technician reads off plate, tape and gauge; in one visit of four in US units.

    `fitting_m` is how much of the fitting was measured with the height.
    """
    slack = {"easy": 0.1, "field": 1.0, "hard": 1.5}[difficulty]
    us = bool(rng.random() < 0.25)
    write = Writer(us)
    truth, shape = story.truth, tank.shape
    noise = rng.standard_normal(12) * slack
    usual = {"easy": 0.0, "field": 0.2, "hard": 0.35}[difficulty]
    missing = rng.random(8) < usual * np.array([1.8, *[1.0] * 7])  # walls are seldom on a plate
    tank_table = {
        "name": tank.name or f"simulated {tank.kind} tank",
        "kind": tank.kind,
        "axis": shape.axis,
        "water_end": tank.water_end,
        "volume": write.volume(tank.volume_m3 * (1.0 + 0.015 * noise[0])),
        "diameter": write.length(shape.diameter_m + 0.0015 * noise[1]),
        "height": write.length(shape.height_m + fitting_m + 0.002 * noise[2]),
        "wall": write.wall(shape.wall_m),
        "head": heads,
        "precharge": write.pressure(story.nominal_pa),
        "charged_at": write.temperature(truth.charged_at_c),
    }
    if shape.axis == "horizontal":
        del tank_table["height"]
        tank_table["straight_length"] = write.length(shape.straight_m + 0.002 * noise[2])
    if tank.seam_depth_m is not None:
        tank_table["seam"] = write.length(tank.seam_depth_m + 0.001 * noise[3])
    for key, gone in zip(("wall", "head", "charged_at"), missing[:3], strict=True):
        if gone:
            del tank_table[key]
    system = {
        "fluid": "water" if story.fluid.share == 0.0 else f"{story.fluid.kind} {story.fluid.share * 100:.0f} %",
        "volume": write.volume(story.system_m3 * (1.0 + 0.05 * noise[4])),
        "relief": write.pressure(story.relief_pa),
        "fill": write.pressure(story.fill_pa + 3e3 * noise[5]),
        "max_temperature": write.temperature(story.max_c),
        "static_head": write.head(story.head_m),
    }
    for key, gone in zip(("fluid", "static_head"), missing[3:5], strict=True):
        if gone and not (key == "fluid" and story.fluid.share > 0.0):
            del system[key]
    readings = {
        "pressure": write.pressure(truth.pressure_pa + 5e3 * noise[6]),
        "water_temperature": write.temperature(truth.water_c + 1.5 * noise[7]),
        "tank_temperature": write.temperature(truth.tank_c + 2.0 * noise[8]),
        "gauge_error": write.pressure(1e4),
        "state": truth.state,
    }
    if missing[5]:
        del readings["tank_temperature"]
    return {"tank": tank_table, "system": system, "readings": readings}


@dataclass(frozen=True, slots=True)
class Writer:
    """Writes quantities as people do, in metric or US units."""

    us: bool

    def pressure(self, pa: float) -> str:
        """Write a gauge pressure (Pa)."""
        return f"{pa / 6894.757:.1f} psi" if self.us else f"{pa / 1e5:.2f} bar"

    def volume(self, m3: float) -> str:
        """Write a volume (m3)."""
        number, unit = (m3 / 3.785412e-3, "gal") if self.us else (m3 * 1000.0, "l")
        return f"{number:.{1 if number < 30.0 else 0}f} {unit}"

    def length(self, m: float) -> str:
        """Write a length (m)."""
        return f"{m / 0.0254:.2f} in" if self.us else f"{m * 1000.0:.0f} mm"

    def wall(self, m: float) -> str:
        """Write a wall's thickness (m)."""
        return f"{m / 0.0254:.3f} in" if self.us else f"{m * 1000.0:.1f} mm"

    def head(self, m: float) -> str:
        """Write the height of the system (m)."""
        return f"{m / 0.3048:.0f} ft" if self.us else f"{m:.1f} m"

    def temperature(self, c: float) -> str:
        """Write a temperature (C)."""
        return f"{c * 1.8 + 32.0:.0f} F" if self.us else f"{c:.0f} C"
