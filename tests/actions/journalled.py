"""What an action leaves in the journal: one entry, or none at all."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager

from competence.models import JournalEntry


@contextmanager
def journals(
    action: str | None, *, rows: set[str] | None = None, reason: str | None = None
) -> Iterator[Callable[[], JournalEntry]]:
    """The block writes one entry, of ``action``, for these kinds of row; or, with ``None``, nothing."""
    before = set(JournalEntry.objects.values_list("pk", flat=True))

    def entry() -> JournalEntry:
        return JournalEntry.objects.exclude(pk__in=before).get()

    yield entry
    written = list(JournalEntry.objects.exclude(pk__in=before).prefetch_related("rows"))
    assert [one.action for one in written] == ([action] if action else [])
    if rows is not None:
        assert {row.kind for row in written[0].rows.all()} == rows
    if reason is not None:
        assert written[0].reason == reason
