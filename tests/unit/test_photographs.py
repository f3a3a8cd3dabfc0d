"""Photographs and logo: what is read, what is left behind, what is refused; and where they stand on the report."""

import io
from pathlib import Path

import pytest
from PIL import ExifTags, Image
from pypdf import PdfReader

from taptest import images, preferences
from taptest.cli import main
from taptest.errors import PictureError, TaptestError, VisitError
from taptest.report.letterhead import Letterhead, keep_company, keep_logo, kept_letterhead, remove_logo
from taptest.visit.files import Visit, read_visit
from taptest.visit.photographs import add_photograph, photographs_of
from taptest.visit.record import MOST_PHOTOGRAPHS, Document
from tests.made_pages import made_document, made_page, made_sources
from tests.made_up import made_up


def picture(form: str = "JPEG", size: tuple[int, int] = (2400, 1200), orientation: int = 1) -> bytes:
    """A picture that says where it was taken; its left half is red, its right half blue."""
    image = Image.new("RGB", size, "blue")
    image.paste("red", (0, 0, size[0] // 2, size[1]))
    exif = Image.Exif()
    exif[ExifTags.Base.Orientation] = orientation
    exif[ExifTags.Base.Make] = "camera maker"
    exif.get_ifd(ExifTags.IFD.GPSInfo)[ExifTags.GPS.GPSLatitude] = (52.0, 31.0, 12.0)
    out = io.BytesIO()
    image.save(out, form, exif=exif)
    return out.getvalue()


@pytest.mark.parametrize("form", images.FORMATS)
def test_a_photograph_is_small_and_tells_nothing_beside_itself(form: str) -> None:
    given = picture(form)
    with Image.open(io.BytesIO(given)) as before:
        assert before.getexif().get_ifd(ExifTags.IFD.GPSInfo)
    with Image.open(io.BytesIO(images.photograph(given, "plate"))) as after:
        assert after.format == "JPEG"
        assert after.size == (images.PHOTOGRAPH_PX, images.PHOTOGRAPH_PX // 2)
        assert not after.getexif()
        assert set(after.info) <= {"jfif", "jfif_version", "jfif_unit", "jfif_density"}


def test_a_photograph_is_turned_upright() -> None:
    # Orientation 6: the camera was held so that the picture is to be turned a quarter clockwise (EXIF 2.32, 4.6.4 A).
    with Image.open(io.BytesIO(images.photograph(picture(orientation=6), "plate"))) as after:
        assert after.size == (images.PHOTOGRAPH_PX // 2, images.PHOTOGRAPH_PX)
        top, bottom = (after.getpixel((400, y)) for y in (100, 1500))
    assert isinstance(top, tuple)
    assert isinstance(bottom, tuple)
    assert top[0] > 200 > bottom[0]


@pytest.mark.parametrize(
    ("content", "sentence"),
    [
        (b"GIF89a" + bytes(20), "isn't a JPEG, PNG or WebP picture"),
        (b"<svg xmlns='http://www.w3.org/2000/svg'/>", "isn't a JPEG, PNG or WebP picture"),
        (b"", "isn't a JPEG, PNG or WebP picture"),
        (picture()[:2000], "is damaged"),
        (bytes(images.LARGEST_BYTES + 1), "is larger than 20 MB"),
    ],
)
def test_what_is_no_picture_is_refused(content: bytes, sentence: str) -> None:
    for read in (images.photograph, images.logo):
        with pytest.raises(PictureError, match=sentence):
            read(content, "plate.jpg")


def test_a_picture_that_would_fill_the_memory_is_refused_before_it_is_decoded() -> None:
    out = io.BytesIO()
    Image.new("1", (9000, 9000)).save(out, "PNG")
    assert out.tell() < 100_000
    with pytest.raises(PictureError, match="9000 by 9000 pixels"):
        images.photograph(out.getvalue(), "bomb.png")


def test_what_is_transparent_stays_so_on_a_logo_and_is_white_on_a_photograph() -> None:
    out = io.BytesIO()
    Image.new("RGBA", (30, 20), (200, 0, 0, 0)).save(out, "PNG")
    with Image.open(io.BytesIO(images.logo(out.getvalue(), "logo"))) as logo:
        assert logo.getpixel((5, 5)) == (200, 0, 0, 0)
    with Image.open(io.BytesIO(images.photograph(out.getvalue(), "logo"))) as photograph:
        assert photograph.getpixel((5, 5)) == (255, 255, 255)


def test_photographs_lie_with_the_visit_and_go_on_a_page_of_their_own(tmp_path: Path) -> None:
    document: Document = made_document()
    for number in range(MOST_PHOTOGRAPHS):
        document = add_photograph(tmp_path, document, picture(size=(300, 200 + number)), "x.jpg", f" Plate\n {number} ")
    assert [each.file for each in document.photographs][:2] == ["photographs/photo01.jpg", "photographs/photo02.jpg"]
    with pytest.raises(VisitError, match="Remove one first"):
        add_photograph(tmp_path, document, picture(), "x.jpg", "")
    (tmp_path / "photographs" / "photo02.jpg").write_bytes(b"no picture")
    (tmp_path / "photographs" / "photo03.jpg").unlink()
    photographs = photographs_of(Visit(tmp_path, document))
    assert [picture is None for _, picture in photographs] == [False, True, True, False, False, False]
    pdf = made_page("report", made_up(), made_sources(document, photographs=photographs))
    first, second = PdfReader(io.BytesIO(pdf)).pages
    assert len(second.images) == MOST_PHOTOGRAPHS - 2
    assert "Plate 5" in second.extract_text()
    assert second.extract_text().count("no longer with the visit") == 2
    assert "Plate" not in first.extract_text()
    assert len(PdfReader(io.BytesIO(made_page("customer", made_up(), made_sources(document)))).pages) == 1


def test_the_commands_keep_and_take_away(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    from tests.made_visits import write_tables

    monkeypatch.setenv(preferences.FOLDER_VARIABLE, str(tmp_path / "home"))
    tank, points = write_tables(tmp_path / "from", 3)
    visit, given = tmp_path / "visit", tmp_path / "plate.jpg"
    given.write_bytes(picture(size=(300, 200)))
    assert main(["import", str(visit), "--tank", str(tank), "--points", str(points)]) == 0
    assert main(["photograph", str(visit), str(given), "--caption", "Plate"]) == 0
    assert read_visit(visit).document.photographs[0].caption == "Plate"
    assert main(["photograph", str(visit), "--remove", "1"]) == 0
    assert not list((visit / "photographs").iterdir())
    assert main(["photograph", str(visit), "--remove", "1"]) == 2
    assert main(["company", "--line", "Sample Heating", "--line", "4 Mill Lane", "--logo", str(given)]) == 0
    assert kept_letterhead().name == "Sample Heating"
    assert kept_letterhead().logo is not None
    assert main(["company", "--no-lines", "--no-logo"]) == 0
    assert not kept_letterhead()
    assert "No company is kept." in capsys.readouterr().out


def test_the_letterhead_stands_on_both_pages(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(preferences.FOLDER_VARIABLE, str(tmp_path))
    keep_company("Sample Heating\n\n 4  Mill Lane \n555 0100")
    keep_logo(picture("PNG", (200, 100)), "logo.png")
    kept = kept_letterhead()
    assert (kept.name, kept.lines) == ("Sample Heating", ("4 Mill Lane", "555 0100"))
    for form in ("report", "customer"):
        (page,) = PdfReader(io.BytesIO(made_page(form, made_up(), made_sources(letterhead=kept)))).pages
        assert "Sample Heating" in page.extract_text()
        assert "555 0100" in page.extract_text()
        (bare,) = PdfReader(io.BytesIO(made_page(form, made_up(), made_sources()))).pages
        assert len(page.images) == len(bare.images) + 1
    remove_logo()
    assert kept_letterhead() == Letterhead("Sample Heating", ("4 Mill Lane", "555 0100"))
    with pytest.raises(TaptestError, match="room for 5"):
        keep_company("line\n" * 6)
    with pytest.raises(TaptestError, match="longer than 90"):
        keep_company("x" * 91)
