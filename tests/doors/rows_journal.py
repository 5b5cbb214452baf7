from competence.actions.journal import record, seal
from competence.actions.setup import keep_setup
from competence.models import Employer, JournalEntry
from competence.queries.journal_rows import journalled_models
from tests.doors.matrix import STAFF, Row


def _entry(world):
    keep_setup(by=world.everywhere_site_admin, row=Employer(name="Plainfield Plant"))
    return {"pk": JournalEntry.objects.latest("pk").pk}


def _entry_asked(world):
    return {"entries": _entry(world)["pk"]}


def _two_checkpoints(world):
    sizes = []
    for name in ("Plainfield Plant", "Longridge Plant"):
        keep_setup(by=world.everywhere_site_admin, row=Employer(name=name))
        sizes.append(seal().size)
    return {"older": sizes[0], "newer": sizes[1]}


def _ticket(world):
    record(by=None, action="ticket.issued", rows=[world.ticket])
    return {"kind": "ticket", "key": str(world.ticket.pk)}


def _all_journalled(world):
    """The world's rows came without the journal; verifying is asked of a register that is whole."""
    rows = [row for model in journalled_models() for row in model._base_manager.all()]
    record(by=None, action="world.made", rows=rows)
    return {}


ROWS = [
    Row("journal", STAFF),
    Row("journal-verify", STAFF, method="post", data=_all_journalled),
    Row("journal-entry", STAFF, _entry, everywhere_only=True),
    Row("journal-bundle", STAFF, method="post", data=_entry_asked, everywhere_only=True),
    Row("record-proof", STAFF, _ticket, own_site_only=True),
    Row("record-bundle", STAFF, _ticket, method="post", own_site_only=True),
    Row("bundle-check", STAFF),
    Row("bundle-check", STAFF, method="post"),
    Row("journal-checkpoints", STAFF),
    Row("journal-consistency", STAFF, _two_checkpoints),
    Row("journal-key", STAFF),
    Row("journal-verifier", STAFF),
]
