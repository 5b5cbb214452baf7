"""Standards as a list, and one category's versions in time."""

from dataclasses import dataclass
from datetime import date

from competence.models import Category, Requirement, StandardVersion
from competence.queries.versions import CategoryRow, VersionInTime, category_rows, in_time, version_shown


def standard_rows(on: date) -> list[CategoryRow]:
    """One row a category, by name; versions come with their requirements. Three statements."""
    return category_rows(StandardVersion.objects.prefetch_related("requirements"), on)


@dataclass(frozen=True)
class StandardSheet:
    """A category's standard: every version, the one that is shown, and whose machines its ticket covers."""

    category: Category
    versions: list[VersionInTime]
    shown: VersionInTime | None
    requirements: list[Requirement]
    accepts: list[Category]
    covers: list[Category]
    terms: list[str]

    @property
    def latest(self) -> StandardVersion | None:
        return self.versions[0].version if self.versions else None


def sheet_of_standard(category: Category, on: date, number: int | None = None) -> StandardSheet:
    """A category's standard on a day; ``number`` shows another version than the one in force then. At most
    five statements."""
    versions = in_time(
        list(category.standard_versions.select_related("recorded_by").order_by("-in_force_from")), on
    )
    shown = version_shown(versions, number)
    requirements, accepts = [], []
    if shown:
        order = [kind.value for kind in Requirement.Kind]
        requirements = sorted(shown.version.requirements.all(), key=lambda one: order.index(one.kind))
        accepts = list(shown.version.accepts.order_by("name"))
    return StandardSheet(
        category,
        versions,
        shown,
        requirements,
        accepts,
        _covered_by(category, on),
        terms_in_words(shown.version) if shown else [],
    )


def _covered_by(category: Category, on: date) -> list[Category]:
    """The categories whose standard in force accepts a ticket for ``category``. Two statements."""
    accepting = StandardVersion.objects.filter(accepts=category, in_force_from__lte=on)
    rows = StandardVersion.objects.filter(
        category__in=accepting.values("category"), in_force_from__lte=on
    ).select_related("category")
    found = {}
    for version in rows.prefetch_related("accepts").order_by("in_force_from"):
        is_accepted = any(one.pk == category.pk for one in version.accepts.all())
        found[version.category_id] = version.category if is_accepted else None
    return sorted((one for one in found.values() if one), key=lambda one: one.name)


def terms_in_words(version: StandardVersion) -> list[str]:
    """The terms of a version as sentences."""
    ends = {
        "anniversary": "on the anniversary of its first day",
        "day_before": "on the day before the anniversary of its first day",
        "month_end": "at the end of the month of the anniversary",
    }[version.period_end]
    mark = f"{version.pass_mark * 100:.1f}".rstrip("0").rstrip(".")
    months, window, limit = version.months, version.renewal_window_days, version.lapse_limit_days
    return [
        f"A ticket counts for {months} {_counted('month', months)} and ends {ends}.",
        f"Assessed in the last {window} {_counted('day', window)} before its end, it is renewed from the old "
        "end on, so that nobody loses time by renewing early.",
        f"Lapsed for more than {limit} {_counted('day', limit)}, it cannot be renewed: the full route is "
        "needed again.",
        f"The practical assessment is passed at {mark} % or more, with no critical point missed or unsafe.",
        "The ticket is issued by another person than the assessor."
        if version.issue_by_another
        else "The assessor may issue the ticket too.",
    ]


def _counted(noun: str, number: int) -> str:
    return noun if number == 1 else f"{noun}s"
