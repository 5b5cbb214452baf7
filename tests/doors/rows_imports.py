"""The doors of bringing a spreadsheet in. A draft is its uploader's; everybody's with the role everywhere."""

from django.core.files.uploadedfile import SimpleUploadedFile

from competence.inputs.import_files import take_in
from competence.models import Account

from .matrix import Row

ADMIN = frozenset({"site_admin"})


def draft(world):
    """Sent by the site admin of the world."""
    content = b"Operator number,Name,Category,Expires\nA1,Ada Ashworth,Dumper,2027-03-01\n"
    by = Account.objects.get(pk=world.site_admin.pk)
    return {"pk": take_in(by=by, uploaded=SimpleUploadedFile("old.csv", content)).pk}


ROWS = [
    Row("import-list", ADMIN),
    Row("import-list", ADMIN, method="post"),
    Row("import-template", ADMIN),
    *(
        Row(f"import-{name}", ADMIN, draft, method=method, own_site_only=True)
        for name, method in (
            ("columns", "get"),
            ("columns", "post"),
            ("values", "get"),
            ("values", "post"),
            ("dry-run", "get"),
            ("dry-run", "post"),
            ("marked", "get"),
            ("ask", "post"),
            ("stop", "post"),
            ("run", "post"),
            ("give-up", "post"),
            ("result", "get"),
        )
    ),
]
