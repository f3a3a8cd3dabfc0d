"""Pictures from cameras and files, made fit to keep: read, turned upright, made small, and written anew.

Only the picture itself is kept. Where and with what it was taken (EXIF, GPS), comments, previews and colour profiles
are left behind. A picture is bytes in, bytes out; sizes are pixels.
"""

import io
import warnings
from typing import TYPE_CHECKING

from taptest.errors import PictureError

if TYPE_CHECKING:
    from PIL.Image import Image

FORMATS = ("JPEG", "PNG", "WEBP")
"""What is read; anything else that the library knows is not tried."""
LARGEST_BYTES = 20_000_000
MOST_PIXELS = 60_000_000
"""A telephone's best camera mode makes 50 million; decoded, three bytes each."""
PHOTOGRAPH_PX = 1600
LOGO_PX = 800
QUALITY = 82


def photograph(content: bytes, source: str) -> bytes:
    """Return a photograph as JPEG, its longer side at most `PHOTOGRAPH_PX`. Raises `PictureError`."""
    picture = _read(content, source, PHOTOGRAPH_PX)
    out = io.BytesIO()
    _on_white(picture).save(out, "JPEG", quality=QUALITY, optimize=True)
    return out.getvalue()


def logo(content: bytes, source: str) -> bytes:
    """Return a logo as PNG, its longer side at most `LOGO_PX`; what is transparent stays so. Raises `PictureError`."""
    out = io.BytesIO()
    _read(content, source, LOGO_PX).convert("RGBA").save(out, "PNG", optimize=True)
    return out.getvalue()


def size_px(content: bytes) -> tuple[int, int]:
    """Return width and height of a picture made by `photograph` or `logo`. Raises `PictureError`."""
    from PIL import Image

    try:
        with Image.open(io.BytesIO(content), formats=FORMATS) as picture:
            return picture.width, picture.height
    except OSError as error:
        raise PictureError("The picture can't be read. Add it again.") from error


def _read(content: bytes, source: str, longest_px: int) -> "Image":
    """Decode a picture, upright and no larger than asked."""
    from PIL import Image, ImageOps, UnidentifiedImageError

    if len(content) > LARGEST_BYTES:
        raise PictureError(f"{source} is larger than {LARGEST_BYTES // 1_000_000} MB. Make the picture smaller first.")
    try:
        with warnings.catch_warnings():
            # The library warns of large pictures; the limit here is our own, and is checked before decoding.
            warnings.simplefilter("ignore", Image.DecompressionBombWarning)
            with Image.open(io.BytesIO(content), formats=FORMATS) as picture:
                if picture.width * picture.height > MOST_PIXELS:
                    raise PictureError(
                        f"{source} has {picture.width} by {picture.height} pixels, more than "
                        f"{MOST_PIXELS // 1_000_000} million. Make the picture smaller first."
                    )
                picture.draft("RGB", (longest_px, longest_px))
                upright = ImageOps.exif_transpose(picture)
    except UnidentifiedImageError as error:
        raise PictureError(
            f"{source} isn't a JPEG, PNG or WebP picture. Save it as one of these (HEIC too), and add it again."
        ) from error
    except (OSError, ValueError, SyntaxError, EOFError, Image.DecompressionBombError) as error:
        raise PictureError(f"{source} is damaged and can't be read as a picture. Take it or save it again.") from error
    upright.thumbnail((longest_px, longest_px))
    return upright


def _on_white(picture: "Image") -> "Image":
    """Lay a picture on white, where it has transparent parts."""
    from PIL import Image

    if picture.mode == "RGB":
        return picture
    layer = picture.convert("RGBA")
    ground = Image.new("RGBA", layer.size, "white")
    ground.alpha_composite(layer)
    return ground.convert("RGB")
