"""Reasons: why the gate says no, in words for the person who is stopped."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from typing import Any


class Move(StrEnum):
    """Whose move it is to put a reason right."""

    OPERATOR = "operator"
    SUPERVISING_OPERATOR = "supervising_operator"
    TRAINER = "trainer"
    SITE_ADMIN = "site_admin"


class ReasonCode(StrEnum):
    """Refusals that are kept for ever name these, so one is added and never taken away."""

    OPERATOR_UNKNOWN = "operator_unknown"
    OPERATOR_INACTIVE = "operator_inactive"
    MACHINE_UNKNOWN = "machine_unknown"
    MACHINE_OUT_OF_SERVICE = "machine_out_of_service"
    STANDARD_MISSING = "standard_missing"
    TICKET_MISSING = "ticket_missing"
    TICKET_NOT_STARTED = "ticket_not_started"
    TICKET_ENDED = "ticket_ended"
    TICKET_SUSPENDED = "ticket_suspended"
    TICKET_WITHDRAWN = "ticket_withdrawn"
    CONDITION_SITE = "condition_site"
    CONDITION_MASS = "condition_mass"
    CONDITION_MASS_UNKNOWN = "condition_mass_unknown"
    CONDITION_ATTACHMENT = "condition_attachment"
    CONDITION_DAYLIGHT = "condition_daylight"
    CONDITION_DAYLIGHT_UNKNOWN = "condition_daylight_unknown"
    INDUCTION_NOT_MET = "induction_not_met"
    FAMILIARISATION_NOT_MET = "familiarisation_not_met"
    MEDICAL_NOT_MET = "medical_not_met"
    REFRESHER_NOT_MET = "refresher_not_met"
    RECALL_NOT_MET = "recall_not_met"
    SUPERVISOR_MISSING = "supervisor_missing"
    SUPERVISOR_IS_TRAINEE = "supervisor_is_trainee"
    SUPERVISOR_NOT_AUTHORISED = "supervisor_not_authorised"
    SUPERVISOR_NOT_CONFIRMED = "supervisor_not_confirmed"


@dataclass(frozen=True, slots=True)
class Reason:
    """One cause of a refusal: what is wrong, since when, what puts it right and whose move that is."""

    code: ReasonCode
    sentence: str
    remedy: str
    move: Move
    since: date | None = None

    @classmethod
    def from_plain(cls, plain: Mapping[str, Any]) -> Reason:
        """A reason as a kept verdict holds it."""
        since = plain.get("since")
        return cls(
            ReasonCode(plain["code"]),
            plain["sentence"],
            plain["remedy"],
            Move(plain["move"]),
            date.fromisoformat(since) if since else None,
        )

    def as_plain(self) -> dict[str, Any]:
        return {
            "code": self.code.value,
            "sentence": self.sentence,
            "since": self.since.isoformat() if self.since else None,
            "remedy": self.remedy,
            "move": self.move.value,
        }


def long_date(day: date) -> str:
    """A date as the register's sentences write it: 5 March 2026."""
    return f"{day.day} {day:%B %Y}"
