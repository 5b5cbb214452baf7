"""What a spreadsheet's words can mean here: what is certain, what was decided before, and what is likely."""

from collections.abc import Iterable, Mapping
from typing import Any

from competence.models import Category, Employer, ImportFile, RememberedWord, Site
from competence.rules.spreadsheet_columns import closest, folded

Words = dict[str, dict[str, str]]
_KIND = {"category": "categories", "site": "sites", "employer": "employers"}
_KEY = {"category": "code", "site": "code", "employer": "name"}


class Meanings:
    """Every category, site and employer, and the words remembered for them. Four statements."""

    def __init__(self) -> None:
        categories = list(Category.objects.order_by("name"))
        sites = list(Site.objects.order_by("name"))
        employers = list(Employer.objects.order_by("name"))
        self.choices: dict[str, list[tuple[str, str]]] = {
            "categories": [(one.code, one.name) for one in categories],
            "sites": [(one.code, one.name) for one in sites],
            "employers": [(one.name, one.name) for one in employers],
        }
        self._offered: dict[str, dict[str, list[str]]] = {
            "categories": {
                one.code: [one.code, one.name, *(name.strip() for name in one.trade_names.split(","))]
                for one in categories
            },
            "sites": {one.code: [one.code, one.name] for one in sites},
            "employers": {one.name: [one.name] for one in employers},
        }
        self.remembered: Words = {kind: {} for kind in _KIND.values()}
        for one in RememberedWord.objects.select_related("category", "site", "employer"):
            self.remembered[_KIND[one.kind]][one.word] = getattr(one.meaning, _KEY[one.kind])

    def certain(self) -> Words:
        """A name or code of the register itself means that; else what somebody decided before."""
        return {
            kind: self.remembered[kind]
            | {folded(word): key for key, words in offered.items() for word in words[:2] if word}
            for kind, offered in self._offered.items()
        }

    def likely(self, kind: str, words: Iterable[str]) -> dict[str, str]:
        """By folded word, what it may mean: offered, for somebody to say yes to."""
        found = {word: closest(word, self._offered[kind]) for word in words}
        return {folded(word): key for word, key in found.items() if key}

    def with_certain(self, mapping: Mapping[str, Any]) -> dict[str, Any]:
        """A kept mapping with what is certain filled in; what was decided for this file comes first."""
        certain = self.certain()
        return {**mapping, **{kind: certain[kind] | mapping[kind] for kind in certain}}


def imports_to_show(account_pk: int, *, everybodys: bool) -> list[ImportFile]:
    """Drafts and past imports, newest first: one's own, or everybody's. One statement."""
    files = ImportFile.objects.select_related("uploaded_by").exclude(status="given_up").order_by("-pk")
    return list((files if everybodys else files.filter(uploaded_by=account_pk))[:100])
