"""An uploaded bundle: the .zip as it was taken out, or its bundle.json. Nothing is unpacked to disk."""

import lzma
import zipfile
import zlib
from typing import IO

# A bundle of 5,000 entries with what they say is some tens of megabytes; a file that claims more is refused
# before it is read. Source: OWASP ASVS 5.0, 5.2.3 (unpacked size before unpacking).
MOST_BYTES = 64 * 1024 * 1024
NAME = "bundle.json"


class UnreadableBundle(ValueError):
    """The upload holds no bundle; the text is fit for the screen."""


def bundle_in(uploaded: IO[bytes], size: int) -> bytes:
    """The bytes of ``bundle.json``. Raises ``UnreadableBundle``."""
    if size > MOST_BYTES:
        raise UnreadableBundle(f"The file is larger than {_megabytes(MOST_BYTES)}: no bundle is.")
    if size == 0:
        raise UnreadableBundle("The file is empty.")
    if not zipfile.is_zipfile(uploaded):
        uploaded.seek(0)
        content = uploaded.read()
        if content.lstrip()[:1] != b"{":
            raise UnreadableBundle(
                "This is neither a .zip nor a bundle.json, or it was cut short. Send the file as it was "
                "taken out."
            )
        return content
    uploaded.seek(0)
    return _unpacked(uploaded)


def _unpacked(uploaded: IO[bytes]) -> bytes:
    try:
        with zipfile.ZipFile(uploaded) as kept:
            names = [one for one in kept.infolist() if one.filename == NAME]
            if len(names) != 1:
                raise UnreadableBundle(f"The .zip holds no {NAME}, so it is no bundle of proof.")
            if names[0].file_size > MOST_BYTES:
                raise UnreadableBundle(
                    f"The {NAME} in it would be {_megabytes(names[0].file_size)} unpacked: no bundle is. "
                    "It was not unpacked."
                )
            with kept.open(names[0]) as file:
                # What a .zip says of its sizes may be false.
                content = file.read(MOST_BYTES + 1)
    except UnreadableBundle:
        raise
    except (zipfile.BadZipFile, zlib.error, lzma.LZMAError, EOFError, RuntimeError, OSError, ValueError):
        raise UnreadableBundle("The .zip cannot be unpacked: it was cut short or changed.") from None
    if len(content) > MOST_BYTES:
        raise UnreadableBundle(f"The {NAME} in it is larger than {_megabytes(MOST_BYTES)}: no bundle is.")
    return content


def _megabytes(count: int) -> str:
    return f"{count / 1024 / 1024:,.0f} MB"
