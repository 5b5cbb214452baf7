"""Who is away: operators and assessors, by whole days. It is no part of the gate: who is away is authorised
still, and not there."""

from django.db import models
from django.db.models import F, Q

from .accounts import Account
from .people import Operator


class Absence(models.Model):
    """One person's days away, both ends included. The person is an operator, or the account of somebody who
    operates nothing. Never deleted: what falls through is called off."""

    operator = models.ForeignKey(
        Operator, on_delete=models.PROTECT, null=True, blank=True, related_name="absences"
    )
    account = models.ForeignKey(
        Account, on_delete=models.PROTECT, null=True, blank=True, related_name="absences"
    )
    first_day = models.DateField()
    last_day = models.DateField()
    # In words, such as leave or course. Why somebody is ill is nobody's business here.
    kind = models.CharField(max_length=40)
    note = models.CharField(max_length=200, blank=True)
    entered_by = models.ForeignKey(Account, on_delete=models.PROTECT, related_name="+")
    entered_at = models.DateTimeField()
    called_off_by = models.ForeignKey(
        Account, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    called_off_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(operator__isnull=False, account__isnull=True)
                | Q(operator__isnull=True, account__isnull=False),
                name="absence_is_of_one_person",
            ),
            models.CheckConstraint(
                condition=Q(first_day__lte=F("last_day")), name="absence_ends_no_sooner_than_it_begins"
            ),
            models.CheckConstraint(condition=~Q(kind=""), name="absence_says_of_what_kind"),
            models.CheckConstraint(
                condition=Q(called_off_at__isnull=True, called_off_by__isnull=True)
                | Q(called_off_at__isnull=False, called_off_by__isnull=False),
                name="absence_called_off_says_by_whom_and_when",
            ),
        ]
        indexes = [models.Index(fields=["last_day", "first_day"], name="absence_in_time")]

    def __str__(self) -> str:
        return f"{self.operator or self.account}, {self.first_day} to {self.last_day}"

    @property
    def person(self) -> Operator | Account:
        """Whose days these are; both have a name."""
        return self.operator or self.account
