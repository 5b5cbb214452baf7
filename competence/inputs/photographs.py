"""A photograph from a phone as the register keeps it: upright, small, and with nothing hidden in it."""

import io
import warnings
from typing import BinaryIO

from PIL import Image, ImageOps, UnidentifiedImageError

LONGEST_SIDE = 1600
QUALITY = 82
FORMATS = ("JPEG", "PNG", "WEBP", "GIF", "BMP", "TIFF")
# How files of these formats begin.
BEGINNINGS = (b"\xff\xd8\xff", b"\x89PNG", b"RIFF", b"GIF8", b"BM", b"II*\x00", b"MM\x00*")


NO_PICTURE = (
    "This file is not a picture that can be read. Take the photograph again, or choose a JPEG or PNG."
)


class NotAPhotograph(ValueError):
    """The file cannot be kept; the text is fit for the screen."""


def photograph_jpeg(file: BinaryIO, *, size: int, max_bytes: int) -> bytes:
    """The photograph as a JPEG of at most 1600 px, turned as it was held, without the place, the time or
    the maker that cameras write into it.

    ``size`` is the upload's length in bytes. Raises ``NotAPhotograph``.
    """
    # What a file is comes before how large it is: nobody takes a bill again with a smaller picture size.
    beginning = file.read(4)
    file.seek(0)
    if not beginning.startswith(BEGINNINGS):
        raise NotAPhotograph(NO_PICTURE)
    if size > max_bytes:
        raise NotAPhotograph(
            f"This photograph is {size / 1_048_576:.0f} MB; at most {max_bytes // 1_048_576} MB can be kept. "
            "Take it again with a smaller picture size, or do without: the note is what counts."
        )
    try:
        return _redrawn(file)
    except NotAPhotograph:
        raise
    except (UnidentifiedImageError, OSError, ValueError, SyntaxError, EOFError) as broken:
        raise NotAPhotograph(NO_PICTURE) from broken
    except (Image.DecompressionBombError, MemoryError) as bomb:
        raise NotAPhotograph(
            "This picture is far larger than any camera takes, so it was not opened."
        ) from bomb


def _redrawn(file: BinaryIO) -> bytes:
    with warnings.catch_warnings():
        # Pillow refuses at twice its limit when it opens a file, and only warns below that. The limit is
        # held further down, at the size that would really be read into memory.
        warnings.simplefilter("ignore", Image.DecompressionBombWarning)
        picture = Image.open(file, formats=FORMATS)
        # A JPEG can be read at a fraction of its size, which keeps the memory small.
        picture.draft("RGB", (LONGEST_SIDE, LONGEST_SIDE))
        if picture.width * picture.height > Image.MAX_IMAGE_PIXELS:
            raise Image.DecompressionBombError
        picture.load()
    picture = ImageOps.exif_transpose(picture)
    if picture.mode in ("RGBA", "LA", "P", "PA"):
        picture = picture.convert("RGBA")
        ground = Image.new("RGB", picture.size, "white")
        ground.paste(picture, mask=picture.getchannel("A"))
        picture = ground
    picture = picture.convert("RGB")
    picture.thumbnail((LONGEST_SIDE, LONGEST_SIDE))
    # Pixels alone are carried over: a new picture has no EXIF, no comment and no second image behind it.
    clean = Image.new("RGB", picture.size)
    clean.paste(picture)
    kept = io.BytesIO()
    clean.save(kept, "JPEG", quality=QUALITY, optimize=True)
    return kept.getvalue()
