"""An uploaded file from its first byte to lines that can be planned."""

import hashlib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from django.core.files.uploadedfile import UploadedFile

from competence.actions.imports import keep_import_file
from competence.inputs.spreadsheet import Sheet, UnreadableSpreadsheet, read_spreadsheet, refuse_size
from competence.models import Account, ImportFile
from competence.rules.import_mapping import first_mapping, meaning_of
from competence.rules.import_rows import Line, Meaning, read_lines


def take_in(*, by: Account, uploaded: UploadedFile) -> ImportFile:
    """Keep an upload as a draft with the first guess of its columns; what cannot be read is not kept.
    Raises ``UnreadableSpreadsheet``."""
    refuse_size(uploaded.size)
    kept = keep_import_file(
        by=by,
        name=Path(uploaded.name).name,
        size=uploaded.size,
        sha256=_digest(uploaded),
        file=uploaded,
        mapping={},
    )
    try:
        sheet = read_kept(kept)
        kept.mapping = first_mapping(sheet.rows) | {"sheet": sheet.name}
        kept.row_count = len(sheet.rows)
        kept.save(update_fields=["mapping", "row_count"])
    except UnreadableSpreadsheet:
        kept.file.delete(save=False)
        kept.delete()
        raise
    return kept


def _digest(uploaded: UploadedFile) -> str:
    digest = hashlib.sha256()
    for chunk in uploaded.chunks():
        digest.update(chunk)
    uploaded.seek(0)
    return digest.hexdigest()


def read_kept(import_file: ImportFile, sheet: str | None = None) -> Sheet:
    """The sheet of a draft's copy that its mapping names, or another."""
    wanted = import_file.mapping.get("sheet", "") if sheet is None else sheet
    is_text = import_file.name.lower().endswith((".csv", ".txt"))
    return read_spreadsheet(import_file.file.path, import_file.name, "" if is_text else wanted)


def lines_of(sheet: Sheet, mapping: Mapping[str, Any]) -> tuple[list[Line], Meaning]:
    """Every line of a sheet below its headings, by a mapping with all its words."""
    meaning = meaning_of(sheet.rows, mapping, is_1904=sheet.is_1904)
    first = mapping["headings_row"]
    rows = enumerate(sheet.rows[first:], start=first + 1)
    lines = read_lines(rows, meaning, mapping["headings"], formulas=sheet.formulas, merged=sheet.merged)
    return list(lines), meaning
