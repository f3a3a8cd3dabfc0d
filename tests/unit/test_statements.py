"""Every key has its text in every catalogue, no text is without a key, and a text shows only values that are given."""

import importlib
import re
from pathlib import Path
from string import Formatter

import pytest

import taptest
from taptest.quantities import METRIC, US
from taptest.report.wording import worded
from taptest.sound.remarks import WhyNot
from taptest.statements import COUNT, Key, Statement
from taptest.visit.remarks import REJECTED, PointRemark, Rejected
from taptest.words.catalogue import read_catalogue
from taptest.words.tell import LOCALE, languages, tell, text_of

COUNTS = (0, 1, 2, 5, 21)
_ENTRY = re.compile(r'^msgid "(?P<key>[^"]+)"$', re.MULTILINE)


class Sample(Key):
    """Keys without a text, to see how values are shown: their name is their text."""

    VALUES = "{depth_m}; {pressure_pa}; {held_share}; {name}", "depth_m", "pressure_pa", "held_share", "name"
    PARTS = "{at_s}; {louder_db}; {top_hz}; {why:small}|{why:capital}", "at_s", "louder_db", "top_hz", "why"


def keys() -> list[Key]:
    """All keys that the package declares."""
    package = Path(taptest.__file__).parent
    for path in package.rglob("*.py"):
        if "(Key):" in path.read_text(encoding="utf-8"):
            importlib.import_module(".".join(("taptest", *path.relative_to(package).with_suffix("").parts)))
    return [key for enum in Key.__subclasses__() if enum.__module__.startswith("taptest.") for key in enum]


def source(language: str) -> str:
    return (LOCALE / language / "LC_MESSAGES" / "taptest.po").read_text(encoding="utf-8")


def fields(text: str) -> set[str]:
    return {name for _, name, _, _ in Formatter().parse(text) if name}


def test_there_are_two_dialects() -> None:
    assert {"en_US", "en_GB"} <= set(languages())


def test_no_key_stands_twice() -> None:
    names = [key.value for key in keys()]
    assert len(names) == len(set(names)) > 10


@pytest.mark.parametrize("language", languages())
def test_every_key_has_its_text_and_no_text_is_without_a_key(language: str) -> None:
    listed = _ENTRY.findall(source(language))
    assert len(listed) == len(set(listed))
    assert set(listed) == {key.value for key in keys()}
    for key in keys():
        for count in COUNTS if COUNT in key.needs else (None,):
            text = text_of(key, language, count)
            assert text.strip(" ,.;") or key.value.startswith("habit."), key
            assert text != key.value, f"{key.value} has no text in {language}"


@pytest.mark.parametrize("language", languages())
def test_a_text_shows_values_that_are_given_and_leaves_none_out(language: str) -> None:
    for key in keys():
        if COUNT not in key.needs:
            assert fields(text_of(key, language)) == set(key.needs), key
            continue
        shown = [fields(text_of(key, language, count)) for count in COUNTS]
        assert set().union(*shown) == set(key.needs), key


def test_the_words_of_the_uk_are_used_all_through_its_catalogue() -> None:
    """Texts that are not statements yet are put into UK words by `worded`, which finds nothing to do here."""
    for key in keys():
        for count in (1, 2) if COUNT in key.needs else (None,):
            text = re.sub(r"\{[^}]*\}", "", text_of(key, "en_GB", count))
            assert worded(text, "uk") == text, key


@pytest.mark.parametrize("language", languages())
def test_a_catalogue_is_read_as_babel_reads_it(language: str) -> None:
    babel = pytest.importorskip("babel.messages.pofile", reason="Babel of the test extra is not installed")
    entries = [entry for entry in babel.read_po(source(language).splitlines(keepends=True)) if entry.id]
    assert entries
    by_name = {key.value: key for key in keys()}
    for entry in entries:
        plural = isinstance(entry.id, tuple)
        key = by_name[entry.id[0] if plural else entry.id]
        assert plural == (COUNT in key.needs), key
        assert not entry.fuzzy
        texts = list(entry.string) if plural else [entry.string]
        found = [text_of(key, language, 1), text_of(key, language, 2)] if plural else [text_of(key, language)]
        assert found == texts


def test_a_catalogue_is_read_as_its_format_allows() -> None:
    # GNU gettext manual, "The Format of PO Files": over lines, escapes as in C, no fuzzy text
    text = (
        'msgid ""\nmsgstr ""\n"Content-Type: text/plain; charset=utf-8\\n"\n'
        '"Plural-Forms: nplurals=2; plural=n>1;\\n"\n\n'
        '# a remark\nmsgid "long"\nmsgstr ""\n"first \\"half\\","\n" second: 5 \u00b0C"\n\n'
        'msgid "many"\nmsgid_plural "many"\nmsgstr[0] "one"\nmsgstr[1] "{count}"\n\n'
        '#, fuzzy\nmsgid "guessed"\nmsgstr "no"\n\nmsgid "missing"\nmsgstr ""\n'
    )
    for found in (read_catalogue(text), read_catalogue(text.replace("\n", "\r\n"))):
        assert found.gettext("long") == 'first "half", second: 5 \u00b0C'
        assert [found.ngettext("many", "many", count) for count in (0, 1, 2)] == ["one", "one", "{count}"]
        assert (found.gettext("guessed"), found.gettext("missing")) == ("guessed", "missing")


def test_a_statement_with_other_values_than_its_key_takes_is_refused() -> None:
    with pytest.raises(ValueError, match="takes the values"):
        Statement(PointRemark.NO_USABLE_TAP)


def test_values_are_shown_in_the_units_of_the_user() -> None:
    # NIST SP 811: 25.4 mm an inch, 6894.757 Pa a psi
    said = Statement(Sample.VALUES, {"depth_m": 0.254, "pressure_pa": 68947.57, "held_share": 0.25, "name": "A. B"})
    assert tell(said, METRIC) == "254 mm; 0.69 bar; 25 %; A. B"
    assert tell(said, US) == "10 in; 10.0 psi; 25 %; A. B"


def test_what_every_user_reads_alike_and_how_a_part_begins() -> None:
    said = Statement(
        Sample.PARTS, {"at_s": 12.5, "louder_db": 7.6, "top_hz": 3400.0, "why": Statement(PointRemark.NO_TAP)}
    )
    part = text_of(PointRemark.NO_TAP, "en_US")
    begun = f"{part[:1].lower()}{part[1:]}|{part[:1].upper()}{part[1:]}"
    assert tell(said, METRIC) == f"12.50 s; 8 dB; 3.4 kHz; {begun}"
    assert tell("A sentence that is there.", US) == "A sentence that is there."


def test_singular_plural_and_lists_follow_the_catalogue() -> None:
    one, two = (Statement(Rejected.DOUBLE_HIT, {"count": count}) for count in (1, 2))
    assert tell(one, METRIC) != tell(two, METRIC).replace("2", "1")
    both = Statement(PointRemark.NO_USABLE_TAP, {"rejected": (one, two)})
    assert f"{tell(one, METRIC)}, {tell(two, METRIC)}" in tell(both, METRIC)


def test_an_unknown_language_is_told_in_the_first_one() -> None:
    assert tell(Statement(PointRemark.NO_TAP), METRIC, "xx") == tell(Statement(PointRemark.NO_TAP), METRIC)


def test_as_json_keeps_key_and_si_values() -> None:
    said = Statement(PointRemark.NO_USABLE_TAP, {"rejected": (Statement(Rejected.CLIPPED, {"count": 2}),)})
    assert said.as_json() == {
        "key": "point.no usable tap",
        "values": {"rejected": [{"key": "rejected.clipped", "values": {"count": 2}}]},
    }


def test_every_reason_for_rejecting_a_tap_has_its_statement() -> None:
    assert set(REJECTED) == set(WhyNot)
    assert len(set(REJECTED.values())) == len(REJECTED)
