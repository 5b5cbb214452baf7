"""Finding rows by what somebody typed."""

from typing import TypeVar

from django.db.models import Q, QuerySet

Found = TypeVar("Found", bound=QuerySet)

# What a check or a refusal is looked for by.
MACHINE_OR_OPERATOR = (
    "machine__fleet_number",
    "operator__number",
    "operator__given_name",
    "operator__family_name",
)


def holding(found: Found, words: str, *columns: str) -> Found:
    """Those rows in which each of the words stands in at least one of the columns, in any case."""
    for word in words.split():
        found = found.filter(Q(*((f"{column}__icontains", word) for column in columns), _connector=Q.OR))
    return found
