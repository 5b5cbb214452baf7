"""What a printed page can hold: every letter that its type has, and the names of the others."""

import unicodedata
from functools import cache
from typing import Any

import typst

# Letters and marks that the page's own type has for certain (the blocks of Latin, and common punctuation).
COMMON = frozenset(map(chr, [*range(0x20, 0x7F), *range(0xA0, 0x180), *range(0x2010, 0x2027), 0x20AC]))


def printable(value: Any) -> Any:
    """The same with every character that the page's type has no letter for told by its name in brackets, and
    those that nothing prints left out. A standard page (PDF/UA-1) may hold no letter that cannot be read."""
    if isinstance(value, str):
        return value if COMMON.issuperset(value) else "".join(map(_printable, value))
    if isinstance(value, dict):
        return {key: each if key == "octets" else printable(each) for key, each in value.items()}
    if isinstance(value, list):
        return [printable(each) for each in value]
    return value


def _printable(letter: str) -> str:
    if letter in COMMON or letter == "\n":
        return letter
    if unicodedata.category(letter) in ("Cc", "Cs", "Co", "Cn"):
        return ""
    if _has_type(letter):
        return letter
    name = unicodedata.name(letter, "")
    return "" if name.startswith(("VARIATION SELECTOR", "ZERO WIDTH")) else f"[{name.lower() or 'a sign'}]"


@cache
def _has_type(letter: str) -> bool:
    """Whether the type that the compiler carries has this letter: it is the one to ask."""
    page = '#set document(title: "t")\n#set text(font: "Libertinus Serif")\n= #sys.inputs.letter'
    try:
        typst.compile(
            page.encode(),
            format="pdf",
            pdf_standards=["ua-1"],
            ignore_system_fonts=True,
            timestamp=0,
            sys_inputs={"letter": letter},
        )
    except RuntimeError:
        return False
    return True
