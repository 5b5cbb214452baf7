"""The doors of the auditor's samples."""

from .matrix import Row

AUDITOR = frozenset({"auditor"})


def _sample(world):
    return {"pk": world.sample.pk}


ROWS = [
    Row("sample-list", AUDITOR),
    Row("sample-new", AUDITOR),
    Row("sample-new", AUDITOR, method="post"),
    Row("sample", AUDITOR, _sample, own_site_only=True),
    Row(
        "sample-verdict",
        AUDITOR,
        _sample,
        method="post",
        data=lambda world: {"item": world.sampled_item.pk, "found": "met"},
        own_site_only=True,
    ),
    Row("sample-close", AUDITOR, _sample, method="post", own_site_only=True),
    Row("sample-sheet", AUDITOR, _sample, method="post", own_site_only=True),
]
