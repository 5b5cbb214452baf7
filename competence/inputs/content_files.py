"""The files of one folder of content, read so that whatever is wrong can be said of the file at hand."""

import tomllib
from pathlib import Path
from typing import Any


class UnreadableContent(ValueError):
    """A content file cannot be read; the text names the file and what is wrong with it."""


class ContentFolder:
    """``reading`` is the file that was opened last."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.reading = ""

    def holds(self, name: str) -> bool:
        return (self.folder / name).exists()

    def read(self, name: str) -> dict[str, Any]:
        self.reading = name
        try:
            with (self.folder / name).open("rb") as file:
                return tomllib.load(file)
        except FileNotFoundError:
            raise UnreadableContent(f"There is no {name} in {self.folder}.") from None
        except tomllib.TOMLDecodeError as problem:
            raise UnreadableContent(f"{name} cannot be read: {problem}.") from problem

    def tables(self, name: str, table: str) -> list[dict[str, Any]]:
        return self.read(name)[table]

    def names(self, folder: str) -> list[str]:
        """The content files of a folder inside this one, in order of name."""
        names = sorted(f"{folder}/{path.name}" for path in (self.folder / folder).glob("*.toml"))
        if not names:
            raise UnreadableContent(f"There are no files in {self.folder / folder}.")
        return names
