"""Rows of a related table as one JSON column, on SQLite and PostgreSQL alike."""

import json
from datetime import UTC, datetime
from decimal import Decimal
from typing import Any

from django.db.models import Aggregate, JSONField, QuerySet, Subquery
from django.db.models.functions import JSONObject


class JsonList(Aggregate):
    """The group's values as one JSON array."""

    output_field = JSONField()
    template = "%(function)s(%(expressions)s)"

    def as_sqlite(self, compiler: Any, connection: Any, **extra: Any) -> Any:
        return self.as_sql(compiler, connection, function="JSON_GROUP_ARRAY", **extra)

    def as_postgresql(self, compiler: Any, connection: Any, **extra: Any) -> Any:
        return self.as_sql(compiler, connection, function="JSONB_AGG", **extra)


class _AsText(JSONField):
    """Read with decimals kept as they are written, not as binary fractions."""

    def from_db_value(self, value: Any, expression: Any, connection: Any) -> Any:
        if value is None:
            return []
        return json.loads(value, parse_float=Decimal) if isinstance(value, str | bytes) else value


def moment_from(text: str) -> datetime:
    """A moment as either database writes it into JSON; SQLite leaves out that it is UTC."""
    moment = datetime.fromisoformat(text)
    return moment if moment.tzinfo else moment.replace(tzinfo=UTC)


def rows_of(related: QuerySet, group: str, **columns: str) -> Subquery:
    """A correlated subquery of ``related``, one JSON object a row; an empty list where there is none.

    ``group`` is the column that the outer row fixes, so that there is one group.
    """
    grouped = related.order_by().values(group).annotate(rows_of_group=JsonList(JSONObject(**columns)))
    return Subquery(grouped.values("rows_of_group"), output_field=_AsText())
