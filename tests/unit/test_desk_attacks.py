"""Attacks on the desk by what is sent to it: tables that name files of the computer.

That a server must not let a request choose a file of its own is CWE-22 and CWE-73 of the Common Weakness Enumeration.
"""

import html
import shutil
from pathlib import Path

import pytest

from tests.made_desk import Pages, pages
from tests.made_visits import write_tables
from tests.unit.test_desk_pages import TYPED, upload


@pytest.fixture
def private(tmp_path: Path) -> Path:
    """A sound file of the computer that was never sent."""
    write_tables(tmp_path / "sent", 2, spacing_mm=45.0)
    (tmp_path / "private").mkdir()
    shutil.copy(tmp_path / "sent/p01.wav", tmp_path / "private/memo.wav")
    return tmp_path / "private/memo.wav"


def said(client: Pages, where: str, private: Path, named: str) -> str:
    """What the desk answers to a table that names a file."""
    sent = private.parents[1] / "sent"
    (sent / "points.csv").write_text(f"position_mm,file\n45,p01.wav\n90,{named}\n", encoding="utf-8")
    answer = client.send_form(where, data=TYPED, files=upload(sent))
    assert answer.status_code == 422, answer.headers
    return html.unescape(answer.text).replace(named, "...")


def test_a_table_names_no_file_that_was_not_sent(tmp_path: Path, private: Path) -> None:
    root = tmp_path / "visits"
    root.mkdir()
    with pages(root) as client:
        for named in (str(private), f"../{private.parent.name}/{private.name}", "tank.toml", "sub/../p02.wav"):
            there = said(client, "/new", private, named)
            assert "was not uploaded" in there
            assert there == said(client, "/new", private, f"{named}.none"), "the answer tells whether a file is there"
    assert not [path for path in root.rglob("*") if path.suffix == ".wav"]


def test_sound_that_comes_later_is_taken_from_what_was_sent_only(tmp_path: Path, private: Path) -> None:
    root = tmp_path / "visits"
    root.mkdir()
    with pages(root) as client:
        where = str(client.send_form("/new", data=TYPED).headers["location"]).partition("?")[0]
        assert "was not uploaded" in said(client, f"{where}/sound", private, str(private))
