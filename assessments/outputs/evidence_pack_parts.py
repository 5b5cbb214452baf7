"""The parts that an evidence pack is made of, as its page draws them: plain values, strings of the data."""

from collections.abc import Iterable, Sequence
from io import BytesIO
from typing import Any

from PIL import Image, ImageOps

Part = dict[str, Any]
Cell = str | Sequence[str]

# So many facts fit a page's rest well enough to be kept together.
SHORT = 16
# A picture is printed 46 mm wide: about 220 dots an inch.
PICTURE_PIXELS = (400, 400)


def heading(level: int, text: str) -> Part:
    return {"kind": "heading", "level": level, "text": text}


def par(text: str) -> Part:
    return {"kind": "par", "text": text}


def small(text: str) -> Part:
    return {"kind": "small", "text": text}


def bullets(items: Iterable[str]) -> Part:
    return {"kind": "list", "items": list(items)}


def box(word: str, lines: Iterable[str]) -> Part:
    return {"kind": "box", "word": word, "lines": list(lines)}


def code(text: str) -> Part:
    return {"kind": "code", "text": text}


def table(columns: Sequence[tuple[str, float]], rows: Iterable[Sequence[Cell]], *, fixed: str = "") -> Part:
    """``columns``: each heading with its share of the width. A cell is a line, or several. ``fixed``: the
    heading of a column that is set in letters of one width, for figures that are compared."""
    return {
        "kind": "table",
        "is-whole": False,
        "heads": [head for head, _ in columns],
        "widths": [width for _, width in columns],
        "ways": ["fixed" if head == fixed else "" for head, _ in columns],
        "rows": [[[cell] if isinstance(cell, str) else list(cell) or [""] for cell in row] for row in rows],
    }


def facts(pairs: Iterable[tuple[str, Cell]], *, fixed: str = "") -> Part:
    """What was recorded, a label each. A short one stays on one page."""
    part = table((("What", 3), ("Recorded", 7)), pairs, fixed=fixed)
    return part | {"is-whole": len(part["rows"]) <= SHORT}


def grouped(digits: str, size: int = 8, each_line: int = 4) -> list[str]:
    """Hexadecimal digits in groups that an eye can compare, some to a line."""
    groups = [digits[start : start + size] for start in range(0, len(digits), size)]
    return [" ".join(groups[start : start + each_line]) for start in range(0, len(groups), each_line)]


def picture(file: Any, alt: str, caption: str) -> dict[str, Any] | None:
    """A photograph no larger than it prints; nothing where its file is gone or cannot be read."""
    try:
        with file.open("rb") as opened, Image.open(opened) as whole:
            small_one = ImageOps.exif_transpose(whole.convert("RGB"))
            small_one.thumbnail(PICTURE_PIXELS)
    except OSError:
        return None
    kept = BytesIO()
    small_one.save(kept, "JPEG", quality=80)
    return {"octets": list(kept.getvalue()), "alt": alt, "caption": caption}


def pictures(found: Iterable[dict[str, Any] | None]) -> list[Part]:
    kept = [one for one in found if one is not None]
    return [{"kind": "pictures", "pictures": kept}] if kept else []
