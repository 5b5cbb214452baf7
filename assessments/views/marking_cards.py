"""The points of a walk-around as the marking page draws them."""

from collections.abc import Mapping
from dataclasses import dataclass

from assessments.models import PointNote
from assessments.queries.practical import Sheet
from competence.models import Point, Precedence


@dataclass(frozen=True)
class OrderRule:
    """One thing that comes before this point, said at once where it is broken."""

    earlier: int
    says: str
    is_safety: bool
    is_broken: bool


@dataclass(frozen=True)
class MarkingCard:
    pk: int
    number: int
    point: Point
    mark: str
    order: int | None
    place: int | None
    device: str
    notes: tuple[PointNote, ...]
    rules: tuple[OrderRule, ...]
    errors: tuple[str, ...]


@dataclass(frozen=True)
class MarkingZone:
    number: int
    name: str
    cards: tuple[MarkingCard, ...]
    marked: int

    @property
    def is_done(self) -> bool:
        return self.marked == len(self.cards)


def marking_zones(sheet: Sheet, wrong: Mapping[int, list[str]]) -> list[MarkingZone]:
    """``wrong``: what was wrong with a note that was posted, by point."""
    titles = {point.listed.pk: point.listed.point.title for point in sheet.points}
    orders = {point.listed.pk: point.standing.order for point in sheet.points if point.standing}
    numbers = {point.listed.pk: number for number, point in enumerate(sheet.points, start=1)}
    before: dict[int, list[OrderRule]] = {}
    for pair in sheet.precedences:
        before.setdefault(pair.later_id, []).append(_rule(pair, titles, orders))
    return [
        MarkingZone(
            zone.number,
            zone.name,
            tuple(
                MarkingCard(
                    point.listed.pk,
                    numbers[point.listed.pk],
                    point.listed.point,
                    point.standing.mark if point.standing else "",
                    point.standing.order if point.standing else None,
                    point.place,
                    point.device,
                    point.notes,
                    tuple(before.get(point.listed.pk, ())),
                    tuple(wrong.get(point.listed.pk, ())),
                )
                for point in zone.points
            ),
            zone.marked,
        )
        for zone in sheet.zones
    ]


def _rule(pair: Precedence, titles: Mapping[int, str], orders: Mapping[int, int | None]) -> OrderRule:
    earlier, later = orders.get(pair.earlier_id), orders.get(pair.later_id)
    return OrderRule(
        pair.earlier_id,
        f"Seen before “{titles[pair.earlier_id]}”, which comes first. {pair.why}",
        pair.is_safety,
        later is not None and (earlier is None or earlier > later),
    )
