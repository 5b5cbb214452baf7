"""The reference content: categories, features, points, checklists and standards, from files to the register.

Loading is repeatable. What the register holds already is left alone, and so is what a firm has made of it
since: a point that the firm reworded, a list that it reordered and a standard that it superseded all stand.
"""

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import date, timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.exceptions import ObjectDoesNotExist, ValidationError
from django.db import transaction

from competence.actions.checklists import ListLine, Pair, keep_point, publish_checklist
from competence.actions.clock import now
from competence.actions.setup import keep_setup
from competence.actions.standards import judges_somebody, publish_standard
from competence.inputs.content_files import ContentFolder, UnreadableContent
from competence.models import (
    Account,
    Category,
    ChecklistVersion,
    Feature,
    ListedPoint,
    Point,
    StandardVersion,
)

REFERENCE = settings.BASE_DIR / "fixtures" / "reference"


@dataclass
class Loaded:
    """What one loading did: how many of each kind are new, and what was left alone and why."""

    new: Counter[str] = field(default_factory=Counter)
    left_alone: list[str] = field(default_factory=list)

    def sentence(self) -> str:
        added = ", ".join(f"{count} {kind}" for kind, count in self.new.items() if count)
        return f"New on the register: {added}." if added else "Nothing is new: the register holds it all."


# What the apps above load of the same folder, after what theirs rests on. Each is called with ``by``, the
# ``files``, what was ``loaded`` so far, to add to, and ``no_later_than`` of ``load_reference``.
CONTENT_PROVIDERS: list[Callable[..., None]] = []


@transaction.atomic
def load_reference(*, by: Account, folder: Path = REFERENCE, no_later_than: date | None = None) -> Loaded:
    """Load the reference content, all of it or nothing.

    ``no_later_than``: the first version of each standard and checklist starts on this day at the latest, for
    an invented register whose history is older than the content. Raises ``UnreadableContent`` and what the
    actions raise.
    """
    loader = _Loader(by, folder, no_later_than)
    try:
        loader.load()
        for provider in CONTENT_PROVIDERS:
            provider(by=by, files=loader.files, loaded=loader.loaded, no_later_than=no_later_than)
    except KeyError as missing:
        raise UnreadableContent(
            f"{loader.files.reading}: {missing.args[0]} is missing or names nothing."
        ) from missing
    except (ObjectDoesNotExist, TypeError) as problem:
        raise UnreadableContent(f"{loader.files.reading}: {problem}") from problem
    except ValidationError as problem:
        raise UnreadableContent(f"{loader.files.reading}: {_said(problem)}") from problem
    return loader.loaded


class _Loader:
    def __init__(self, by: Account, folder: Path, no_later_than: date | None) -> None:
        self.by, self.files, self.no_later_than = by, ContentFolder(folder), no_later_than
        self.loaded = Loaded()
        self.points: dict[str, Point] = {}

    def load(self) -> None:
        for line in self.files.tables("categories.toml", "category"):
            trade_names = ", ".join(line.get("trade_names", ()))
            self._keep("categories", Category(**line | {"trade_names": trade_names}))
        for line in self.files.tables("features.toml", "feature"):
            self._keep("features", Feature(**line))
        self._load_points()
        pairs = [
            Pair(line["earlier"], line["later"], line["safety"], line.get("why", ""))
            for line in self.files.tables("precedence.toml", "pair")
        ]
        for name in self.files.names("checklists"):
            self._load_checklist(self.files.read(name), pairs)
        for line in self.files.tables("standards.toml", "standard"):
            for version in line["version"]:
                self._load_standard(Category.objects.get(code=line["category"]), version)

    def _keep(self, kind: str, row: Category | Feature) -> None:
        if not type(row).objects.filter(code=row.code).exists():
            keep_setup(by=self.by, row=row, reason="Reference content")
            self.loaded.new[kind] += 1

    def _load_points(self) -> None:
        features = {feature.code: feature for feature in Feature.objects.all()}
        for name in self.files.names("points"):
            for line in self.files.tables(name, "point"):
                feature = features[line["feature"]] if line.get("feature") else None
                self.points[line["code"]] = self._point(line, feature)

    def _point(self, line: dict[str, Any], feature: Feature | None) -> Point:
        """The newest revision of a point. A wording that the register has had in any revision was loaded
        before, so a newer one is the firm's own, and stands."""
        wording = {
            "title": line["title"],
            "method": line["method"],
            "good": line["good"],
            "caution": line.get("caution", ""),
            "is_critical": line["critical"],
            "stop_use_when": line.get("stop_use_when", ""),
            "weight": line["weight"],
            "topic": line["topic"],
        }
        known = Point.objects.filter(code=line["code"])
        if known.filter(feature=feature, **wording).exists():
            return known.order_by("-revision")[0]
        self.loaded.new["points"] += 1
        return keep_point(by=self.by, code=line["code"], feature=feature, **wording)

    def _load_checklist(self, content: dict[str, Any], pairs: list[Pair]) -> None:
        category = Category.objects.get(code=content["category"])
        lines = [
            ListLine(self.points[code], zone["code"], zone["name"])
            for zone in content["zone"]
            for code in zone["points"]
        ]
        start = self._start_of_checklist(category, content["in_force_from"], lines)
        if start is None:
            return
        codes = {line.point.code for line in lines}
        publish_checklist(
            by=self.by,
            category=category,
            in_force_from=start,
            lines=lines,
            pairs=[pair for pair in pairs if {pair.earlier, pair.later} <= codes],
            sources=content.get("sources", ()),
        )
        self.loaded.new["checklist versions"] += 1

    def _start_of_checklist(self, category: Category, start: date, lines: list[ListLine]) -> date | None:
        """The day from which the content's list is to be in force; ``None`` where nothing is to be done."""
        latest = ChecklistVersion.objects.filter(category=category).order_by("-number").first()
        if latest is None:
            return self._first_start(start)
        listed = list(ListedPoint.objects.filter(version=latest).select_related("point").order_by("position"))
        if [(row.point_id, row.zone_code, row.zone_name) for row in listed] == [
            (line.point.pk, line.zone_code, line.zone_name) for line in lines
        ]:
            return None
        if start > latest.in_force_from:
            return self._next_start(category, start, latest)
        if [(row.point.code, row.zone_code) for row in listed] == [
            (line.point.code, line.zone_code) for line in lines
        ]:
            # The same list; only the wording of points changed.
            return self._next_start(category, now().date(), latest)
        self.loaded.left_alone.append(
            f"The checklist for {category.name}: version {latest.number} lists other points than the content."
        )
        return None

    def _load_standard(self, category: Category, content: dict[str, Any]) -> None:
        terms = dict(content)
        lines = [_requirement(line) for line in terms.pop("requirement")]
        accepts = [Category.objects.get(code=code) for code in terms.pop("accepts", ())]
        number, start = terms.pop("number"), terms.pop("in_force_from")
        terms["pass_mark"] = Decimal(str(terms["pass_mark"]))
        held = StandardVersion.objects.filter(category=category)
        if same := held.filter(number=number).first():
            if not _says(same, terms, lines):
                self.loaded.left_alone.append(
                    f"The standard for {category.name}: version {number} reads otherwise than the content's."
                )
            return
        latest = held.order_by("-number").first()
        publish_standard(
            by=self.by,
            category=category,
            in_force_from=self._next_start(category, start, latest) if latest else self._first_start(start),
            requirements=lines,
            accepts=accepts,
            **terms,
        )
        self.loaded.new["standard versions"] += 1

    def _next_start(
        self, category: Category, start: date, latest: StandardVersion | ChecklistVersion
    ) -> date:
        """The content's own day on a new register; on one in use, no sooner than it can be known."""
        if judges_somebody(category):
            start = max(start, now().date())
        return max(start, latest.in_force_from + timedelta(days=1))

    def _first_start(self, start: date) -> date:
        return min(start, self.no_later_than) if self.no_later_than else start


def _requirement(line: dict[str, Any]) -> dict[str, Any]:
    numbers = {name: line.get(name) for name in ("hours", "recall_level")}
    return line | {name: None if said is None else Decimal(str(said)) for name, said in numbers.items()}


def _says(version: StandardVersion, terms: dict[str, Any], lines: list[dict[str, Any]]) -> bool:
    """Whether a version on the register has the content's terms and asks for the same things."""
    asked = list(version.requirements.order_by("pk"))
    return (
        all(getattr(version, name) == value for name, value in terms.items())
        and [requirement.kind for requirement in asked] == [line["kind"] for line in lines]
        and all(
            getattr(requirement, name) == value
            for requirement, line in zip(asked, lines, strict=True)
            for name, value in line.items()
        )
    )


def _said(problem: ValidationError) -> str:
    """What the register says against a row, with the columns that it is said of."""
    if not hasattr(problem, "error_dict"):
        return " ".join(problem.messages)
    return " ".join(f"{name}: {' '.join(told)}" for name, told in problem.message_dict.items())
