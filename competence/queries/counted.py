"""Counting what belongs to a row beside the row."""

from django.db.models import Count, IntegerField, QuerySet, Subquery
from django.db.models.functions import Coalesce


def counted(rows: QuerySet, by: str) -> Coalesce:
    """How many of ``rows`` belong to a row of the list; they are tied to it by ``OuterRef`` on ``by``.

    A count over a join would be made for every row of the table before a page of it is cut out.
    """
    number = rows.order_by().values(by).annotate(number=Count("pk")).values("number")
    return Coalesce(Subquery(number, output_field=IntegerField()), 0)
