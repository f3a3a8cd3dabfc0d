"""The form of a visit loses nothing: each key of the document has its field, and texts come back as typed."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from taptest.desk.fields import FIELDS, OTHERS, groups_for, place_of, read_form, typed_of
from taptest.visit import record
from taptest.visit.record import Document, document_from

OTHERWISE = {"observations", "points", "reference", "log", "by_hand", "lines", "rounds", "onset"}
"""Parts of a document that have pages of their own, or come from files."""
LEAST = {"tank.kind": "diaphragm", "tank.water_end": "top", "tank.axis": "vertical", "tank.volume": "18 l"}


def test_every_key_of_the_document_has_its_field() -> None:
    keys = {
        f"{section}.{key}"
        for section, model in record._SECTIONS.items()
        if section not in {*OTHERWISE, "parallel"}
        for key in model.model_fields
    }
    keys |= {f"parallel.{n}.{key}" for n in range(1, OTHERS + 1) for key in record.ParallelSection.model_fields}
    assert keys | {"visit.date"} == set(FIELDS)


def test_choices_are_those_that_the_document_knows() -> None:
    for name, item in FIELDS.items():
        for value, _ in item.choices:
            if value:
                raw = {"schema": 1, "tank": {"kind": "diaphragm"}}
                raw[item.section] = {**raw.get(item.section, {}), item.key: value}  # type: ignore[dict-item]
                kept = document_from(raw, "a test")
                assert getattr(getattr(kept, item.section), item.key) == value, name


words = st.text(st.characters(exclude_categories=("Cs", "Cc")), max_size=30).map(str.strip)


@settings(max_examples=50, deadline=None, derandomize=True)
@given(site=words, name=words, notes=words, striker=words, work=words)
def test_texts_come_back_as_typed(site: str, name: str, notes: str, striker: str, work: str) -> None:
    typed = {
        **LEAST, "visit.site": site, "tank.name": name, "readings.notes": notes, "line.striker": striker,
        "as_left.work": work, "visit.date": "2025-03-14",
    }  # fmt: skip
    read = read_form(typed)
    assert read.errors == {}
    assert read.document is not None
    assert {key: text for key, text in typed_of(read.document).items() if text} == {k: v for k, v in typed.items() if v}


def test_what_the_form_does_not_have_is_kept() -> None:
    before = document_from(
        {
            "schema": 1,
            "simulated": True,
            "tank": {"kind": "diaphragm", "water_end": "top", "volume": "18 l"},
            "observations": {"drips": "hot"},
            "parallel": [{"volume": f"{n} l", "precharge": "1 bar"} for n in range(10, 16)],
            "log": [{"time": "7:00", "pressure": "1.2 bar"}, {"time": "7:20", "pressure": "1.4 bar"}],
            "points": [{"position_mm": 40.0, "file": "sound/a.wav"}],
            "by_hand": [{"file": "sound/a.wav", "onset_s": 0.5, "verdict": "refuse", "why": "noise"}],
        },
        "a test",
    )
    read = read_form({**typed_of(before), "tank.volume": "20 l"}, before)
    assert read.document is not None
    changed = before.tank.model_copy(update={"volume": "20 l"})
    assert read.document == Document.model_validate({**before.model_dump(by_alias=True), "tank": changed.model_dump()})


@pytest.mark.parametrize(
    ("sentence", "place"),
    [
        ("This form, [tank] volume: 'x' is none.", ("tank.volume", "Volume: 'x' is none.")),
        ('This form, [tank], the key "water_end" is missing.', ("tank.water_end", "Water enters is missing.")),
        ("This form, [tank]: the tank cannot be.", ("", "The tank cannot be.")),
        ("This form is odd.", ("", "is odd.")),
        ("Something else.", ("", "Something else.")),
    ],
)
def test_a_sentence_finds_its_field(sentence: str, place: tuple[str, str]) -> None:
    assert place_of(sentence) == place


@pytest.mark.parametrize(("text", "word"), [("x" * 3000, "3000 letters"), ("a\0b", "can't be used here")])
def test_a_text_that_cannot_be_kept_is_refused(text: str, word: str) -> None:
    read = read_form({**LEAST, "readings.notes": text})
    assert word in read.errors["readings.notes"]
    assert read.document is None


def test_other_tanks_are_typed_and_come_back() -> None:
    typed = {
        **LEAST, "parallel.1.volume": "25 l", "parallel.1.precharge": "12 psi", "parallel.3.volume": "8 l",
        "parallel.3.precharge": "0 bar", "parallel.3.acceptance": "45 %",
    }  # fmt: skip
    read = read_form(typed)
    assert read.document is not None, read.errors
    assert [(each.volume, each.precharge, each.acceptance) for each in read.document.parallel] == [
        ("25 l", "12 psi", None), ("8 l", "0 bar", "45 %"),
    ]  # fmt: skip
    back = typed_of(read.document)
    assert (back["parallel.2.volume"], back["parallel.3.volume"]) == ("8 l", "")
    shown = {item.name for group in groups_for(back) for item in group.fields}
    assert "parallel.4.volume" in shown
    assert "parallel.3.volume" not in {item.name for group in groups_for(LEAST) for item in group.fields}


@pytest.mark.parametrize(
    ("changed", "place", "word"),
    [
        ({"parallel.3.precharge": ""}, "parallel.3.precharge", "takes no part"),
        ({"parallel.3.volume": ""}, "parallel.3.volume", "takes no part"),
        ({"parallel.3.volume": "8"}, "parallel.3.volume", "unit"),
        ({"parallel.3.precharge": "-2 bar"}, "parallel.3.precharge", "below vacuum"),
        ({"parallel.3.volume": "0 l"}, "parallel.3.volume", "cannot be the volume"),
        ({"parallel.3.acceptance": "many"}, "parallel.3.acceptance", "neither"),
        ({"parallel.3.acceptance": "120 %"}, "parallel.3.acceptance", "at most the whole"),
    ],
)  # fmt: skip
def test_what_is_wrong_with_another_tank_stands_beside_its_field(
    changed: dict[str, str], place: str, word: str
) -> None:
    """The first of the two tanks is typed into the first place, the second into the third: entry 2 is place 3."""
    typed = {
        **LEAST, "parallel.1.volume": "25 l", "parallel.1.precharge": "1 bar", "parallel.3.volume": "8 l",
        "parallel.3.precharge": "1 bar",
    }  # fmt: skip
    read = read_form(typed | changed)
    assert read.document is None
    assert word in read.errors[place]
    assert read.errors[place].startswith("Other tank 3: ") or word == "unit"
