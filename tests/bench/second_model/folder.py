"""A simulated visit on the disk: `visit.json`, a WAV file a point, and `truth.json`.

What is noted differs from what is true by the errors of a tape, a gauge and a plate; the wall's by 5 %. Marks are
measured from the top of the shell. Where the height was measured with the fitting it is 20 to 60 mm too large, and the
marks are right all the same.
"""

from dataclasses import dataclass, replace
from datetime import date, timedelta
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from taptest import disk
from taptest.simulate.truth import RoundTruth, VisitTruth, write_truth
from taptest.sound.recording import write_recording
from taptest.visit.files import SOUND, save_document
from taptest.visit.record import (
    Document,
    PointEntry,
    ReadingsSection,
    RoundSection,
    RoundState,
    SystemSection,
    TankSection,
)
from tests.bench.second_model import hearing
from tests.bench.second_model.draws import Case, draw, in_effect, other_pressure
from tests.bench.second_model.hearing import RATE, Blow, Place
from tests.bench.second_model.ringing import Ringing, ring
from tests.bench.second_model.stories import RELIEF
from tests.bench.second_model.switches import stream

FloatArray = NDArray[np.float64]

TAPS = 3
Onsets = dict[str, tuple[float, ...]]


def folder_of(out: Path, seed: int, number: int) -> Path:
    """Return the folder of the `number`-th visit of a series."""
    return out / f"second-{seed}-{number:04d}"


def make_visit(out: Path, seed: int, only: str | None, bags: bool, raised: bool, number: int) -> None:
    """Write the `number`-th visit of a series below `out`, with a second round at another pressure where `raised`."""
    case = draw(seed, number, only, bags)
    noted = _document(case, number, stream(seed, number, "papers"))
    rng = stream(seed, number, "sound")
    clear_db = float(rng.uniform(20.0, 40.0))
    site = Site.drawn(case, rng)
    files = [point.file for point in noted.points]
    recordings, onsets = _recordings(case, ring(case.vessel), clear_db, files, site, rng)
    truth = _truth(case, onsets, clear_db, seed, number)
    if raised:
        again, state = other_pressure(case, seed, number)
        later = [file.replace("point", "round2-point") for file in files]
        heard, times = _recordings(
            again, ring(again.vessel), clear_db, later, site, stream(seed, number, "sound again")
        )
        recordings |= heard
        noted = _with_round(noted, again, later, state, case, stream(seed, number, "papers again"))
        truth = replace(truth, rounds=(RoundTruth.of(_truth(again, times, clear_db, seed, number), state),))
    with disk.new_folder(folder_of(out, seed, number)) as folder:
        (folder / SOUND).mkdir()
        loudest = max(float(np.abs(sound).max()) for sound in recordings.values())
        for file, sound in recordings.items():
            write_recording(folder / file, 0.7 * sound / loudest, RATE)
        save_document(folder, noted)
        write_truth(folder, truth)


@dataclass
class Site:
    """What stays the same where one person taps one tank in one room; its second half is drawn after the blows."""

    place: Place
    contact_s: float
    spread_db: float
    rush: float | None = None
    answer: FloatArray | None = None
    bass_hz: float = 0.0
    slope: float = 0.0

    @classmethod
    def drawn(cls, case: Case, rng: np.random.Generator) -> "Site":
        """Draw where the microphone stands and how hard the striker is."""
        shape = case.vessel.shape
        away, angle = rng.uniform(0.3, 0.6), rng.uniform(np.radians(15), np.radians(100))
        place = Place(shape.diameter_m / 2 + away, rng.uniform(0.3, 0.7) * shape.height_m, angle)
        hard, soft, spread = rng.uniform(1.2e-4, 2.6e-4), rng.uniform(2.6e-4, 8e-4), rng.uniform(1.0, 4.0)
        return cls(place, soft if "soft-blow" in case.switches else hard, spread)

    def rung(self, ringing: Ringing, depths_m: list[float], rng: np.random.Generator) -> FloatArray:
        """(B, N) sound of a blow at each depth, with the rush of the striker itself, without room and noise."""
        blows = [
            Blow(
                float(np.clip(ringing.outline.s_of_depth(depth) + 0.0025 * rng.standard_normal(), 0.002, None)),
                float(np.clip(self.contact_s * np.exp(0.08 * rng.standard_normal()), 1e-4, 8.5e-4)),
                1e-3 * 10 ** (self.spread_db * rng.standard_normal() / 20),
            )
            for depth in depths_m
        ]
        sounds = hearing.rung(ringing, blows, self.place)
        if self.rush is None:
            self.rush = float(np.median(np.abs(sounds).max(1))) * rng.uniform(0.05, 0.3)
        for sound, blow in zip(sounds, blows, strict=True):
            burst = hearing.click(blow, rng)
            sound[: burst.size] += self.rush * blow.impulse / 1e-3 * burst
        return sounds

    def enter(self, rng: np.random.Generator) -> None:
        """Draw the room, once."""
        if self.answer is None:
            self.answer, self.bass_hz, self.slope = hearing.room(rng), rng.uniform(80.0, 200.0), rng.uniform(0.7, 1.6)


def _recordings(
    case: Case, ringing: Ringing, clear_db: float, names: list[str], site: Site, rng: np.random.Generator
) -> tuple[dict[str, FloatArray], Onsets]:
    """Let every point be tapped and recorded: sound in Pa and true onsets of each file."""
    sounds = site.rung(ringing, [float(depth) for depth in case.depths_m for _ in range(TAPS)], rng)
    heard_at = int(0.06 * RATE)
    level = float(np.sqrt(np.median((sounds[:, :heard_at] ** 2).mean(1)))) * 10 ** (-clear_db / 20)
    site.enter(rng)
    assert site.answer is not None
    files: dict[str, FloatArray] = {}
    onsets: Onsets = {}
    for number, name in enumerate(names):
        starts = np.cumsum([rng.uniform(0.75, 1.0), *rng.uniform(0.72, 1.0, TAPS - 1)])
        samples = [int(start * RATE) for start in starts]
        count = samples[-1] + int(rng.uniform(0.9, 1.1) * RATE)
        clean = hearing.heard(sounds[TAPS * number : TAPS * (number + 1)], samples, count, site.answer, site.bass_hz)
        files[name] = clean + level * hearing.noise(count, site.slope, rng)
        onsets[name] = tuple(round(sample / RATE, 6) for sample in samples)
    return files, onsets


def _with_round(
    noted: Document, again: Case, files: list[str], state: RoundState, before: Case, rng: np.random.Generator
) -> Document:
    """Note the second round: the gauge keeps three quarters of its error."""
    shown = float((noted.readings.pressure or "0").split()[0]) - before.story.pressure
    off = 0.75 * shown + 0.03 * rng.standard_normal()
    points = tuple(
        PointEntry(position_mm=round(1000 * float(depth), 1), file=file)
        for depth, file in zip(again.depths_m, files, strict=True)
    )
    readings = ReadingsSection(pressure=f"{max(again.story.pressure + off, 0.0):.2f} bar")
    added = RoundSection(name=state, state=state, readings=readings, points=points)
    return noted.model_copy(update={"rounds": (added,)})


def _document(case: Case, number: int, rng: np.random.Generator) -> Document:
    """Note the tank as it is read on site."""
    shape, story, kind, on = case.vessel.shape, case.story, case.kind, case.switches
    litres = case.litres * (1 + 0.015 * rng.standard_normal())
    wide, high = (1000 * size + 1.5 * rng.standard_normal() for size in (shape.diameter_m, shape.height_m))
    seam = 1000 * case.seam + 2.0 * rng.standard_normal()
    wall = shape.wall_m * 1000 / (1 + 0.05 * rng.standard_normal())
    fitting = rng.uniform(20.0, 60.0)
    missing = (rng.random(6) < 0.4) & ("papers" in on)
    tank = {
        "name": f"simulated {kind} tank",
        "kind": kind,
        "axis": "vertical",
        "water_end": case.water_end,
        "volume": f"{litres:.1f} l",
        "diameter": None if missing[0] else f"{wide:.0f} mm",
        "height": f"{high + (fitting if 'fitting' in on else 0.0):.0f} mm",
        "wall": None if "no-wall" in on else f"{wall:.2f} mm",
        "head": None if missing[1] else shape.head,
        "seam": f"{seam:.0f} mm" if kind == "diaphragm" and not missing[2] else None,
        "precharge": f"{story.noted_charge:.2f} bar",
        "charged_at": None if missing[3] else "20 C",
    }
    points = [
        PointEntry(position_mm=round(1000 * float(depth), 1), file=f"{SOUND}/point{place + 1:02d}.wav")
        for place, depth in enumerate(case.depths_m)
    ]
    errors = rng.standard_normal(3)
    return Document(
        visited_on=date(2025, 1, 6) + timedelta(days=number),
        simulated=True,
        tank=TankSection.model_validate(tank),
        # Without the system's volume nothing is forecast, so that only the charge and the membrane are judged.
        system=SystemSection(fluid="water", relief=f"{RELIEF:.1f} bar"),
        readings=ReadingsSection(
            pressure=f"{max(story.pressure + 0.04 * errors[0], 0.0):.2f} bar",
            water_temperature=None if missing[4] else f"{story.water_c + 1.5 * errors[1]:.0f} C",
            tank_temperature=None if missing[5] else f"{story.gas_c + 1.5 * errors[2]:.0f} C",
            gauge_error="0.1 bar",
            state="hot" if story.hot else "cold",
        ),
        points=tuple(points),
    )


def _truth(case: Case, onsets: Onsets, clear_db: float, seed: int, number: int) -> VisitTruth:
    """Say what is true of the visit."""
    story, picture = case.story, case.picture
    backing = tuple(
        "water" if any(top < depth < bottom for top, bottom in picture.wet) else "air" for depth in case.depths_m
    )
    state = "found" if len(set(backing)) > 1 else f"all {backing[0]}"
    level = round(1000 * picture.level, 1)
    bag = case.kind == "bladder" and not story.torn
    return VisitTruth(
        state=state,
        boundary_mm=level if state == "found" else None,
        backing=backing,
        fault=story.fault,
        findings=story.findings,
        onsets_s=onsets,
        precharge_bar=round(story.true_charge, 4),
        water_l=round(story.share * case.litres, 3),
        level_mm=level,
        water_share=round(story.share, 5),
        pressure_bar=round(story.pressure, 4),
        tank_c=round(story.gas_c, 2),
        volume_l=round(case.litres, 3),
        inverted=case.inverted,
        tap_to_noise_db=round(clear_db, 2),
        difficulty="second",
        switches=in_effect(case),
        seed=seed * 100_000 + number,
        form=picture.form,
        touch=round(picture.touch, 3) if bag else None,
        standoff_mm=round(1000 * picture.stand_off, 1) if bag else None,
    )
