"""The table of settings is that of the code, and each setting says what it does."""

from tests.tuning_table import PAGE, page, settings


def test_the_page_is_up_to_date() -> None:
    assert PAGE.read_text(encoding="utf-8") == page(), "write it again: python -m tests.tuning_table"


def test_every_setting_says_what_it_does() -> None:
    assert [f"{each.module} {each.name}" for each in settings() if not each.text.strip()] == []


def test_units_and_sources_are_read_from_names_and_texts() -> None:
    told = {f"{each.module} {each.name}": (each.value, each.unit, each.source) for each in settings()}
    assert told["line.points HUBER"] == ("1.5", "", "Huber 1964")
    assert told["line.boundary SEAM_SD_M"][1] == "m"
    assert told["finding.air CREEP_PA_PER_H"][1] == "Pa/h"
    assert told["line.matched MatchSettings.power"][2] == "set on simulated visits"
    assert len(told) > 140
