from competence.actions.journal import record
from competence.actions.setup import keep_setup
from competence.models import Employer, JournalEntry
from competence.queries.journal_rows import journalled_models
from tests.doors.matrix import STAFF, Row


def _entry(world):
    keep_setup(by=world.everywhere_site_admin, row=Employer(name="Plainfield Plant"))
    return {"pk": JournalEntry.objects.latest("pk").pk}


def _all_journalled(world):
    """The world's rows came without the journal; verifying is asked of a register that is whole."""
    rows = [row for model in journalled_models() for row in model._base_manager.all()]
    record(by=None, action="world.made", rows=rows)
    return {}


ROWS = [
    Row("journal", STAFF),
    Row("journal-verify", STAFF, method="post", data=_all_journalled),
    Row("journal-entry", STAFF, _entry, everywhere_only=True),
    Row("journal-proof", STAFF, _entry, everywhere_only=True),
]
