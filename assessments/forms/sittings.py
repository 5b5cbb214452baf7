"""Answers as a page sends them, with script or without, and the reason for more attempts."""

import json
import uuid
from dataclasses import dataclass
from typing import Any

from django import forms
from django.http import QueryDict

from competence.forms.record_form import RecordForm, reason

# No page asks more questions, or puts more steps in order.
MOST_POSITION = 500


@dataclass(frozen=True)
class GivenAnswer:
    """One answer to the question in one place; what it must look like depends on the kind of question."""

    position: int
    given: dict[str, Any]
    sent_as: uuid.UUID
    seconds: int | None = None


def sent_answer(body: bytes) -> GivenAnswer:
    """An answer as sitting.js sends it: ``{"position", "given", "sent_as", "seconds"}``. Raises
    ``ValueError``."""
    try:
        said = json.loads(body)
        given = said["given"]
        if not isinstance(given, dict):
            raise ValueError("not an answer")
        return GivenAnswer(
            _position(said["position"]), given, uuid.UUID(str(said["sent_as"])), _seconds(said.get("seconds"))
        )
    except (KeyError, TypeError, AttributeError, OverflowError, RecursionError) as broken:
        raise ValueError("not an answer") from broken


def posted_answer(posted: QueryDict) -> GivenAnswer:
    """An answer as a question's own form posts it. Raises ``ValueError``."""
    given: dict[str, Any] = {
        "choice": posted.get("choice"),
        "choices": posted.getlist("choices"),
        "order": _order(posted),
        "number": posted.get("number", ""),
    }
    # One press sent twice is one answer; another answer from the same page is another.
    name = json.dumps([posted.get("position", ""), given], sort_keys=True)
    return GivenAnswer(
        _position(posted.get("position")), given, uuid.uuid5(uuid.UUID(posted.get("batch", "")), name)
    )


def _order(posted: QueryDict) -> list[str]:
    """The steps by the places that were picked for them; nothing where two share a place."""
    places = {name[6:]: posted[name] for name in posted if name.startswith("place-")}
    picked = sorted(places.items(), key=lambda one: (len(one[1]), one[1]))
    return [step for step, _ in picked] if len(set(places.values())) == len(places) else []


def _position(value: Any) -> int:
    if isinstance(value, bool) or not str(value).isdecimal() or len(str(value)) > 4:
        raise ValueError("no place of a question")
    position = int(value)
    if not 0 < position <= MOST_POSITION:
        raise ValueError("no place of a question")
    return position


def _seconds(value: Any) -> int | None:
    return value if isinstance(value, int) and not isinstance(value, bool) and value >= 0 else None


class StartForm(forms.Form):
    """The page makes the sitting's id, so that two presses are one."""

    sitting_id = forms.UUIDField(widget=forms.HiddenInput)


class MoreAttemptsForm(RecordForm):
    reason = reason("What was done since", help_text="Kept with the record, word for word.")
