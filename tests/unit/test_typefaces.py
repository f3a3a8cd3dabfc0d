"""Letters that the pictures' own typeface lacks: taken from a font of the computer, else a box that is explained.

The fonts are made here with fontTools, which comes with the drawing library: one letter each, in both outline formats.
"""

import io
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from fontTools.fontBuilder import FontBuilder  # type: ignore[import-untyped]
from fontTools.pens.t2CharStringPen import T2CharStringPen  # type: ignore[import-untyped]
from fontTools.pens.ttGlyphPen import TTGlyphPen  # type: ignore[import-untyped]
from matplotlib import font_manager, rc_context
from pypdf import PdfReader

from taptest.report import figures, typefaces
from tests.made_up import made_up

NAME = "Keller 膨槽"


@pytest.fixture(autouse=True)
def _anew() -> Iterator[None]:
    """Forget which fonts there are, before and after."""
    known = list(font_manager.fontManager.ttflist)
    for cached in (typefaces.family_of, typefaces.advance):
        cached.cache_clear()
    yield
    font_manager.fontManager.ttflist[:] = known
    for cached in (typefaces.family_of, typefaces.advance):
        cached.cache_clear()


def write_font(path: Path, family: str, letter: str) -> None:
    """A font with one letter, a triangle one em wide: PostScript outlines in an .otf, TrueType ones else."""
    postscript = path.suffix == ".otf"
    glyphs = {}
    for name in (".notdef", "one"):
        pen = T2CharStringPen(1000, None) if postscript else TTGlyphPen(None)
        pen.moveTo((100, 0))
        pen.lineTo((500, 800))
        pen.lineTo((900, 0))
        pen.closePath()
        glyphs[name] = pen.getCharString() if postscript else pen.glyph()
    font = FontBuilder(1000, isTTF=not postscript)
    font.setupGlyphOrder(list(glyphs))
    font.setupCharacterMap({ord(letter): "one"})
    if postscript:
        font.setupCFF(family.replace(" ", ""), {"FullName": family}, glyphs, {})
    else:
        font.setupGlyf(glyphs)
    font.setupHorizontalMetrics(dict.fromkeys(glyphs, (1000, 100)))
    font.setupHorizontalHeader(ascent=800, descent=-200)
    font.setupNameTable({"familyName": family, "styleName": "Regular", "psName": family.replace(" ", "")})
    font.setupOS2(sTypoAscender=800)
    font.setupPost()
    font.save(path)


@pytest.fixture
def two_fonts(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A computer with two fonts more, of one letter each, and no others."""
    found = []
    for name, letter in (("a.ttf", "膨"), ("b.otf", "槽")):
        write_font(tmp_path / name, f"Made {name[0]}", letter)
        font_manager.fontManager.addfont(tmp_path / name)
        found.append((f"Made {name[0]}", str(tmp_path / name)))
    monkeypatch.setattr(typefaces, "others", lambda: iter(found))


@pytest.mark.usefixtures("two_fonts")
def test_letters_come_from_the_fonts_that_have_them() -> None:
    assert typefaces.printable(f"{NAME}\n 塔") == "Keller 膨槽 □"
    assert typefaces.families(NAME) == ["DejaVu Sans", "Made a", "Made b"]
    assert typefaces.families("Keller") == ["DejaVu Sans"]
    assert typefaces.advance("膨", "bold") == pytest.approx(1.0)


def drawn() -> bytes:
    """The boundary picture as PDF."""
    with rc_context(figures.style_for(NAME)):
        return figures._saved(figures._figure(made_up(name=NAME, profile=None)), "pdf", {})


@pytest.mark.usefixtures("two_fonts")
def test_the_picture_embeds_them() -> None:
    (page,) = PdfReader(io.BytesIO(drawn())).pages
    assert NAME in page.extract_text()
    resources: Any = page["/Resources"]
    fonts = resources["/Font"]
    assert any("Made" in str(font.get_object()["/BaseFont"]) for font in fonts.values())


def test_a_letter_in_no_font_is_a_box_and_that_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(typefaces, "others", lambda: iter(()))
    assert typefaces.printable(NAME) == "Keller □□"
    assert typefaces.explained(NAME) == f"Keller □□ ({typefaces.BOX_WORDS})"
    assert typefaces.explained("Keller") == "Keller"
    assert typefaces.explained("Keller □") == "Keller □"
    (page,) = PdfReader(io.BytesIO(drawn())).pages
    assert typefaces.BOX_WORDS in page.extract_text()


def test_the_computers_own_fonts_are_looked_through() -> None:
    """Whatever fonts there are: each is named once, none of them is the library's own, and none shows signs only."""
    found = list(typefaces.others())
    assert len({name for name, _ in found}) == len(found)
    assert not [path for _, path in found if "mpl-data" in path]
    assert not [name for name, _ in found if "emoji" in name.lower()]


def test_a_font_that_cannot_be_read_has_no_letters(tmp_path: Path) -> None:
    (tmp_path / "damaged.ttf").write_bytes(b"no font")
    assert typefaces._letters(str(tmp_path / "damaged.ttf")) == frozenset()
