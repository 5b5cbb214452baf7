"""Moments as people write them, for a site's clock."""

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from competence.models import Machine, Site
from competence.queries.plant import site_at
from competence.rules.reasons import long_date


class NotAMoment(ValueError):
    """The text is no moment; its own text is a sentence for the screen."""


def moment_in(text: str, zone: ZoneInfo, *, takes_first: bool = False) -> datetime:
    """An ISO 8601 moment; without an offset it is the local time of ``zone``.

    A local time that the clocks skip, or show twice, names no one moment: ``NotAMoment`` says so and asks
    for an offset. ``takes_first``: of two, the first is meant; for a field that cannot take an offset.
    """
    moment = _read(text)
    if moment.tzinfo is not None:
        return _in_utc(moment)
    first, second = (moment.replace(tzinfo=zone, fold=fold) for fold in (0, 1))
    if _in_utc(first).astimezone(zone).replace(tzinfo=None) != moment:
        raise NotAMoment(f"The clocks at {zone.key} skip {moment:%H:%M} on {long_date(moment.date())}.")
    if first.utcoffset() != second.utcoffset() and not takes_first:
        raise NotAMoment(
            f"The clocks at {zone.key} show {moment:%H:%M} twice on {long_date(moment.date())}. "
            f"Say which by an offset: {first.isoformat()} or {second.isoformat()}."
        )
    return _in_utc(first)


def moment_where_it_stood(text: str, machine: Machine, *, takes_first: bool = False) -> tuple[datetime, Site]:
    """An ISO 8601 moment on the clock of the site where the machine stood then, and that site.

    Without an offset the text is read twice: on the clock of the site where the machine stands now, only to
    find where it stood at about that moment; then on the clock of that site, which is the answer. In the
    hours around a move between two clocks the text can mean either; the answer's site says which was taken.
    One statement.
    """
    local = _read(text)
    if local.tzinfo is None:
        # Only to look the site up: an hour that this clock skips may be a plain one there.
        local = local.replace(tzinfo=ZoneInfo(machine.site.zone))
    site = site_at(machine, _in_utc(local))
    return moment_in(text, ZoneInfo(site.zone), takes_first=takes_first), site


def has_offset(text: str) -> bool:
    """Whether a moment as typed says its own offset, as ``moment_in`` reads them."""
    try:
        return _read(text).tzinfo is not None
    except NotAMoment:
        return False


def _read(text: str) -> datetime:
    try:
        return datetime.fromisoformat(text.strip())
    except ValueError:
        raise NotAMoment(
            f"“{text}” is not a moment. Write it as 2026-03-05T06:30, "
            "or with an offset as 2026-03-05T06:30+00:00."
        ) from None


def _in_utc(moment: datetime) -> datetime:
    try:
        return moment.astimezone(UTC)
    except OverflowError:
        raise NotAMoment(f"{moment.isoformat()} is outside the calendar.") from None
