"""A photograph is kept upright, small and clean; what is not one is refused in words."""

import io
import struct
import zlib

import pytest
from PIL import Image

from competence.inputs.photographs import LONGEST_SIDE, NotAPhotograph, photograph_jpeg

LIMIT = 12 * 1024 * 1024
ORIENTATION, GPS = 0x0112, 0x8825


def a_file(picture: Image.Image, kind: str = "JPEG", **options) -> io.BytesIO:
    file = io.BytesIO()
    picture.save(file, kind, **options)
    file.seek(0)
    return file


def kept(file: io.BytesIO) -> Image.Image:
    return Image.open(io.BytesIO(photograph_jpeg(file, size=len(file.getvalue()), max_bytes=LIMIT)))


def test_a_photograph_taken_sideways_stands_upright():
    wide = Image.new("RGB", (400, 200), "blue")
    wide.paste("red", (0, 0, 200, 200))
    exif = Image.Exif()
    exif[ORIENTATION] = 6  # The camera was turned: to show it, turn it a quarter clockwise.
    upright = kept(a_file(wide, exif=exif))
    assert upright.size == (200, 400)
    # What was at the left is now at the top.
    assert upright.getpixel((100, 50))[0] > 200
    assert upright.getpixel((100, 350))[2] > 200


def test_where_and_with_what_it_was_taken_is_not_kept():
    exif = Image.Exif()
    exif[0x010F] = "Some maker"
    exif.get_ifd(GPS)[1] = "N"
    file = a_file(Image.new("RGB", (60, 40)), exif=exif, comment=b"a remark")
    assert b"Some maker" in file.getvalue()
    clean = photograph_jpeg(file, size=len(file.getvalue()), max_bytes=LIMIT)
    assert b"Some maker" not in clean
    assert b"a remark" not in clean
    assert not Image.open(io.BytesIO(clean)).getexif()


def test_a_large_photograph_is_made_smaller_and_a_small_one_is_not_made_larger():
    assert kept(a_file(Image.new("RGB", (4000, 3000)))).size == (LONGEST_SIDE, 1200)
    assert kept(a_file(Image.new("RGB", (300, 200)))).size == (300, 200)


@pytest.mark.parametrize(("mode", "kind"), [("RGBA", "PNG"), ("P", "GIF"), ("L", "PNG"), ("CMYK", "JPEG")])
def test_any_usual_picture_becomes_a_jpeg(mode, kind):
    picture = kept(a_file(Image.new(mode, (50, 50)), kind))
    assert (picture.format, picture.mode) == ("JPEG", "RGB")


@pytest.mark.parametrize(
    "content", [b"", b"%PDF-1.7 not a picture", b"<svg onload='x'/>", b"\xff\xd8\xff\xe0 cut"]
)
def test_what_is_not_a_picture_is_refused(content):
    with pytest.raises(NotAPhotograph, match="not a picture"):
        photograph_jpeg(io.BytesIO(content), size=len(content), max_bytes=LIMIT)


def test_a_picture_cut_short_is_refused():
    whole = a_file(Image.effect_noise((400, 400), 50)).getvalue()
    with pytest.raises(NotAPhotograph, match="not a picture"):
        photograph_jpeg(io.BytesIO(whole[: len(whole) // 2]), size=1, max_bytes=LIMIT)


def test_a_file_over_the_limit_is_refused_before_it_is_opened():
    with pytest.raises(NotAPhotograph, match="13 MB; at most 12 MB"):
        photograph_jpeg(io.BytesIO(b"\xff\xd8\xff\xe0 never read"), size=13 * 1024 * 1024, max_bytes=LIMIT)


def test_a_large_file_that_is_no_picture_is_told_what_it_is_and_not_how_large():
    with pytest.raises(NotAPhotograph, match="not a picture"):
        photograph_jpeg(io.BytesIO(b"a long text"), size=20 * 1024 * 1024, max_bytes=LIMIT)


def a_bomb(width: int, height: int) -> bytes:
    """A few bytes of PNG that claim to be an enormous picture."""

    def chunk(kind: bytes, content: bytes) -> bytes:
        return (
            struct.pack(">I", len(content)) + kind + content + struct.pack(">I", zlib.crc32(kind + content))
        )

    header = struct.pack(">IIBBBBB", width, height, 1, 0, 0, 0, 0)
    packed = zlib.compress(bytes(1000))
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", packed) + chunk(b"IEND", b"")


@pytest.mark.parametrize("size", [(60_000, 60_000), (14_000, 14_000)])
def test_a_small_file_that_claims_an_enormous_picture_is_not_opened(size):
    bomb = a_bomb(*size)
    with pytest.raises(NotAPhotograph, match="far larger"):
        photograph_jpeg(io.BytesIO(bomb), size=len(bomb), max_bytes=LIMIT)
