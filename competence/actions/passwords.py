"""What a new password may not be, beyond Django's own rules (length, commonness, likeness to the person)."""

import re

from django.core.exceptions import ValidationError

# Words that anybody would try here first (OWASP ASVS 5.0, 6.1.2 and 6.2.11).
WORDS = (
    "competence",
    "register",
    "operator",
    "trainer",
    "assessor",
    "auditor",
    "siteadmin",
    "admin",
    "quarry",
    "earthmoving",
    "excavator",
    "dumper",
    "loader",
    "roller",
    "dozer",
    "digger",
    "machine",
    "ticket",
    "checklist",
    "safety",
    "password",
    "welcome",
    "changeme",
    "letmein",
)
# So many letters of one's own, beside those words, and it is no longer only them.
LEAST_OWN_LETTERS = 4
_WORDS = re.compile("|".join(sorted(WORDS, key=len, reverse=True)))


class NotOnlyWordsOfTheTrade:
    """Refuses a password that is words of the trade with figures and marks around them."""

    def validate(self, password: str, user: object = None) -> None:
        letters = re.sub(r"[\W\d_]", "", password.lower())
        if _WORDS.search(letters) and len(_WORDS.sub("", letters)) < LEAST_OWN_LETTERS:
            raise ValidationError(
                "This password is made of words that anybody would try here first. Put words of your own in."
            )

    def get_help_text(self) -> str:
        return "Words of the trade alone, with figures after them, are no password."
