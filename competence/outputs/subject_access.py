"""What is held on a person, as one file: a page to read, the same as JSON, and the photographs."""

import json
import re
import zipfile
from datetime import datetime
from io import BytesIO
from typing import Any

from django.template.loader import render_to_string

from competence.queries.checkpoints import checkpoint_as_json, latest_checkpoint
from competence.queries.erasing import Subject
from competence.queries.journal_pages import in_words
from competence.queries.subject_access import EntryTold, Held, Section

# Column names that say which row of another table; they stand in the JSON, and clutter the page.
LEFT_OFF_THE_PAGE = frozenset({"id", "sent_as", "photograph_sha256", "leaf", "feed"})
MOMENT = re.compile(r"^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d.*\+00:00$")


def subject_access_zip(subject: Subject, held: Held, moment: datetime) -> bytes:
    """The whole file. Pictures whose file is missing are named in the JSON all the same."""
    checkpoint = latest_checkpoint()
    stated = checkpoint_as_json(checkpoint) if checkpoint else None
    found: list[str] = []
    buffer = BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as folder:
        for picture in held.pictures:
            try:
                with picture.file.open("rb") as file:
                    folder.writestr(picture.name, file.read())
                found.append(picture.name)
            except (OSError, ValueError):
                continue
        folder.writestr(
            "record.json",
            json.dumps(as_plain(subject, held, moment, stated, found), indent=1, ensure_ascii=False),
        )
        folder.writestr("record.html", _page(subject, held, moment, stated, found))
    return buffer.getvalue()


def as_plain(
    subject: Subject, held: Held, moment: datetime, checkpoint: dict[str, Any] | None, pictures: list[str]
) -> dict[str, Any]:
    return {
        "about": subject.name,
        "number": subject.number,
        "taken_out_at": moment.isoformat(),
        "checkpoint": checkpoint,
        "rows": {one.label: one.rows for one in held.sections},
        "journal": [entry.__dict__ for entry in held.entries],
        "done": [entry.__dict__ for entry in held.done],
        "who_acted": held.acted,
        "photographs": [one.name for one in held.pictures],
        "photographs_in_this_file": pictures,
    }


def _page(
    subject: Subject, held: Held, moment: datetime, checkpoint: dict[str, Any] | None, pictures: list[str]
) -> str:
    return render_to_string(
        "competence/keeping/subject_access.html",
        {
            "subject": subject,
            "moment": moment,
            "checkpoint": checkpoint,
            "sections": [_shown(one, held) for one in held.sections],
            "entries": [_entry(one) for one in held.entries],
            "done": [_entry(one) for one in held.done],
            "pictures": pictures,
        },
    )


def _shown(section: Section, held: Held) -> dict[str, Any]:
    columns = [
        name
        for name in section.columns
        if name not in LEFT_OFF_THE_PAGE
        and any(row.get(name) not in (None, "", [], {}) for row in section.rows)
    ]
    return {
        "noun": section.noun,
        "count": len(section.rows),
        "heads": [name.removesuffix("_id").replace("_", " ") for name in columns],
        "rows": [[_cell(section, held, name, row.get(name)) for name in columns] for row in section.rows],
    }


def _entry(entry: EntryTold) -> dict[str, Any]:
    return {**entry.__dict__, "what": in_words(entry.action), "when": entry.at[:16].replace("T", " ")}


def _cell(section: Section, held: Held, name: str, value: Any) -> str:
    words = section.words.get(name)
    return words.get(value, str(value)) if words and value is not None else _said(name, value, held)


def _said(name: str, value: Any, held: Held) -> str:
    if value is None or value == "":
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, dict) and "reasons" in value:
        # A verdict or an outcome: on the page why it was no; all of it is in the JSON.
        told = [one["sentence"] if isinstance(one, dict) else str(one) for one in value["reasons"]]
        return " ".join(told) or "nothing against it"
    if isinstance(value, dict | list):
        return json.dumps(value, ensure_ascii=False)
    if name.endswith(("_by_id", "assessor_id")) or name == "by_id":
        return held.acted.get(value, str(value))
    text = str(value)
    # A moment as the journal writes it, to the minute.
    return f"{text[:10]} {text[11:16]}" if MOMENT.match(text) else text
