"""What the register said that it kept, as the phones of the crash drill wrote it down."""

import json
import threading
from collections import Counter
from pathlib import Path
from typing import Any

# Started, answered, handed in: each by its own id, with what was acknowledged.
KINDS = ("check", "finding", "submission", "assessment", "tap", "assessment_finish", "sitting", "answer")
KINDS = (*KINDS, "sitting_finish")


class Ledger:
    """Written by several threads; a later acknowledgement of the same thing takes the earlier one's place."""

    def __init__(self) -> None:
        self.kept: dict[str, dict[str, Any]] = {kind: {} for kind in KINDS}
        self.acknowledged: Counter[str] = Counter()
        self.repeats = 0
        # What no crash explains: the register refused what it should have kept.
        self.refused: list[str] = []
        self._turn = threading.Lock()

    def note(self, kind: str, key: str, said: Any) -> None:
        with self._turn:
            self.kept[kind][key] = said
            self.acknowledged[kind] += 1

    def repeat(self) -> None:
        with self._turn:
            self.repeats += 1

    def refuse(self, sentence: str) -> None:
        with self._turn:
            self.refused.append(sentence)

    def write(self, path: Path) -> None:
        path.write_text(json.dumps(self.kept))
