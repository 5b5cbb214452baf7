"""Forms of an import: the upload, what each column holds, what words mean, and who is one person."""

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from django import forms

from competence.forms.record_form import RecordForm
from competence.queries.import_words import Meanings
from competence.rules.import_mapping import WORD_KINDS, problems_of
from competence.rules.import_rows import ASIDE
from competence.rules.spreadsheet_columns import PART_WORDS, folded
from competence.rules.spreadsheet_dates import Century, ColumnAsks, Order

ORDER_WORDS = {
    Order.DAY_FIRST: "Day, month, year",
    Order.MONTH_FIRST: "Month, day, year",
    Order.YEAR_FIRST: "Year, month, day",
}
CENTURY_WORDS = {
    Century.ALL_2000: "All are 2000 to 2099",
    Century.SPLIT: "00 to 49 are 20.., 50 to 99 are 19..",
}
# What a choice posts for "keep aside" and "enter as a new employer"; no code or name looks like them.
KEEP_ASIDE, AS_NEW = "-", "+"
MOST_WORDS = 300


class UploadForm(RecordForm):
    file = forms.FileField(
        label="The spreadsheet",
        help_text="A file that ends in .xlsx, .ods or .csv. You see what would happen before anything does.",
        widget=forms.ClearableFileInput(attrs={"accept": ".xlsx,.ods,.csv"}),
    )


class ColumnsForm(forms.Form):
    """``part_N``, ``order_N`` and ``century_N`` for each column; and the row of the headings."""

    def __init__(
        self, *args: Any, mapping: Mapping[str, Any], asks: dict[int, ColumnAsks], **kw: Any
    ) -> None:
        super().__init__(*args, **kw)
        self.mapping, self.asks = mapping, asks
        parts = [("", "Not used"), *((part.value, words) for part, words in PART_WORDS.items())]
        for place, heading in enumerate(mapping["headings"]):
            self._choice(f"part_{place}", f"{heading} holds", parts, mapping["parts"][place])
            asked = asks.get(place)
            if asked is None:
                continue
            if asked.is_order_open:
                orders = [("", "Choose"), *((o.value, w) for o, w in ORDER_WORDS.items())]
                self._choice(
                    f"order_{place}", f"Days in {heading} are written", orders, self._told("orders", place)
                )
            if asked.is_century_open:
                ways = [("", "Choose"), *((c.value, w) for c, w in CENTURY_WORDS.items())]
                self._choice(
                    f"century_{place}",
                    f"Years of two digits in {heading}",
                    ways,
                    self._told("centuries", place),
                )

    def _told(self, kind: str, place: int) -> str:
        return self.mapping[kind].get(str(place), "")

    def _choice(self, name: str, label: str, choices: list[tuple[str, str]], initial: str) -> None:
        self.fields[name] = forms.ChoiceField(
            label=label,
            choices=choices,
            required=False,
            initial=initial,
            widget=forms.Select(attrs={"class": "form-select"}),
        )

    def clean(self) -> dict[str, Any]:
        for problem in problems_of(self.parts):
            self.add_error(None, problem)
        return self.cleaned_data

    @property
    def parts(self) -> list[str]:
        return [self.cleaned_data.get(f"part_{n}", "") for n in range(len(self.mapping["headings"]))]

    @property
    def changes(self) -> dict[str, Any]:
        """What is kept: an answer given once stays, also while its column is of something else."""
        told = {
            kind: self.mapping[kind]
            | {
                name.removeprefix(prefix): value
                for name, value in self.cleaned_data.items()
                if name.startswith(prefix)
            }
            for kind, prefix in (("orders", "order_"), ("centuries", "century_"))
        }
        return {"parts": self.parts, **told}

    def lines(self, samples: Sequence[Sequence[str]]) -> list[dict[str, Any]]:
        """The table: a line for each column."""
        return [
            {
                "heading": heading,
                "samples": samples[place],
                "part": self[f"part_{place}"],
                "order": self[f"order_{place}"] if f"order_{place}" in self.fields else None,
                "century": self[f"century_{place}"] if f"century_{place}" in self.fields else None,
                "asks": self.asks.get(place),
            }
            for place, heading in enumerate(self.mapping["headings"])
        ]


KIND_WORDS = {
    "categories": "Categories",
    "sites": "Sites",
    "employers": "Employers",
    "levels": "Levels that are not understood",
}


class WordsForm(forms.Form):
    """``<kind>_N``: what the file's Nth word of a kind means."""

    def __init__(
        self,
        *args: Any,
        mapping: Mapping[str, Any],
        words: Mapping[str, Counter[str]],
        meanings: Meanings,
        may_enter: bool,
        **kw: Any,
    ) -> None:
        super().__init__(*args, **kw)
        self.groups: list[tuple[str, str, list[tuple[str, int, str]]]] = []
        certain = meanings.certain()
        for kind, label in KIND_WORDS.items():
            counted = words[kind].most_common(MOST_WORDS)
            likely = meanings.likely(kind, words[kind]) if kind in WORD_KINDS else {}
            choices = self._choices(kind, meanings, may_enter)
            lines = []
            for place, (word, times) in enumerate(counted):
                key = folded(word)
                decided = mapping[kind].get(key)
                initial = KEEP_ASIDE if decided == ASIDE else decided
                if initial is None:
                    initial = certain.get(kind, {}).get(key) or likely.get(key, "")
                name = f"{kind}_{place}"
                self.fields[name] = forms.ChoiceField(
                    label=f"{word} means",
                    choices=choices,
                    required=False,
                    initial=initial,
                    widget=forms.Select(attrs={"class": "form-select"}),
                )
                lines.append((word, times, name))
            if lines:
                self.groups.append((kind, label, lines))

    def _choices(self, kind: str, meanings: Meanings, may_enter: bool) -> list[tuple[str, str]]:
        aside = [("", "Not decided yet: its rows stay out"), (KEEP_ASIDE, "Keep its rows aside")]
        if kind == "levels":
            return [*aside, ("full", "Full"), ("trainee", "Trainee, supervised")]
        new = [(AS_NEW, "Enter as a new employer")] if kind == "employers" and may_enter else []
        return [*aside, *new, *meanings.choices[kind]]

    def shown(self) -> Iterable[dict[str, Any]]:
        for kind, label, lines in self.groups:
            yield {
                "kind": kind,
                "label": label,
                "lines": [(word, times, self[name]) for word, times, name in lines],
            }

    def decided(self) -> dict[str, dict[str, str]]:
        """By kind and folded word: the key, "" for aside, or ``AS_NEW``; what is not decided is left out."""
        return {
            kind: {
                folded(word): ASIDE if value == KEEP_ASIDE else value
                for word, _, name in lines
                if (value := self.cleaned_data.get(name, ""))
            }
            for kind, _, lines in self.groups
        }

    def new_employers(self) -> list[str]:
        return [
            word
            for kind, _, lines in self.groups
            if kind == "employers"
            for word, _, name in lines
            if self.cleaned_data.get(name) == AS_NEW
        ]


class SameForm(forms.Form):
    """``pair_N``: of two numbers under one name, which is used; or that they are two people."""

    def __init__(
        self, *args: Any, pairs: Sequence[tuple[str, str]], names: Mapping[str, str], **kw: Any
    ) -> None:
        super().__init__(*args, **kw)
        self.pairs = pairs
        for place, (first, second) in enumerate(pairs):
            self.fields[f"pair_{place}"] = forms.ChoiceField(
                label=f"{names.get(first, first)}: {first} and {second}",
                required=False,
                choices=[
                    ("", "Not decided yet"),
                    ("two", "Two people of one name"),
                    (first, f"One person: use {first}"),
                    (second, f"One person: use {second}"),
                ],
                widget=forms.Select(attrs={"class": "form-select"}),
            )

    def decided(self) -> list[list[str]]:
        return [
            [first, second, "" if value == "two" else value]
            for place, (first, second) in enumerate(self.pairs)
            if (value := self.cleaned_data.get(f"pair_{place}"))
        ]
