"""How much mail waits, for whoever watches the running register."""

from collections.abc import Iterator

from django.db.models import Count

from assessments.models import OutgoingMail


def waiting_mail() -> Iterator[tuple[str, str, float]]:
    """Mails by how far they are: the name, what it is, the number. One statement."""
    by_status = dict(
        OutgoingMail.objects.filter(status__in=["waiting", "sending", "refused"])
        .order_by()
        .values_list("status")
        .annotate(mails=Count("pk"))
    )
    waiting = by_status.get("waiting", 0) + by_status.get("sending", 0)
    yield "register_mails_waiting", "Mails that were written and not sent yet.", waiting
    yield "register_mails_refused", "Mails that the server refused for good.", by_status.get("refused", 0)
