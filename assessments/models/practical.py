"""Practical assessments: an assessor watching an operator do the checklist, and what was seen."""

import uuid

from django.db import models
from django.db.models import F, Q

from competence.models import (
    Account,
    Category,
    ChecklistVersion,
    Evidence,
    ListedPoint,
    Machine,
    Operator,
    Site,
    StandardVersion,
)
from competence.models.base import Kept


class Booking(models.Model):
    """A day, a site and a machine at which an operator is to be assessed, and by whom."""

    on = models.DateField("day")
    starts_at = models.TimeField("from", null=True, blank=True)
    site = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="bookings")
    machine = models.ForeignKey(Machine, on_delete=models.PROTECT, related_name="bookings")
    operator = models.ForeignKey(Operator, on_delete=models.PROTECT, related_name="bookings")
    assessor = models.ForeignKey(Account, on_delete=models.PROTECT, related_name="bookings")
    note = models.CharField(max_length=300, blank=True)
    made_at = models.DateTimeField()
    made_by = models.ForeignKey(Account, on_delete=models.PROTECT, related_name="+")
    called_off_at = models.DateTimeField(null=True, blank=True)
    called_off_why = models.CharField(max_length=300, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["operator", "machine", "on"],
                condition=Q(called_off_at__isnull=True),
                name="operator_booked_once_a_day_on_a_machine",
                violation_error_message="This operator is booked on this machine for that day already.",
            ),
            models.CheckConstraint(
                condition=Q(called_off_at__isnull=True, called_off_why="")
                | (Q(called_off_at__isnull=False) & ~Q(called_off_why="")),
                name="called_off_booking_says_why",
            ),
        ]
        indexes = [models.Index(fields=["assessor", "on"], name="booking_of_assessor_by_day")]

    def __str__(self) -> str:
        return f"{self.operator_id} on {self.machine_id}, {self.on}"


class Assessment(models.Model):
    """One practical assessment: marked, finished, confirmed by both, and then never changed.

    The standard, the checklist and the points that apply are fixed at the start. A second assessor's marks
    on the same walk-around are an assessment of their own that names the first as ``alongside``.
    """

    class Status(models.TextChoices):
        MARKING = "marking", "Being marked"
        FINISHED = "finished", "Waiting for confirmation"
        CONFIRMED = "confirmed", "Confirmed"
        ABANDONED = "abandoned", "Abandoned"

    # Made by the page that started it, so that a start sent twice is one assessment.
    id = models.UUIDField(primary_key=True, default=uuid.uuid4)
    operator = models.ForeignKey(Operator, on_delete=models.PROTECT, related_name="assessments")
    machine = models.ForeignKey(Machine, on_delete=models.PROTECT, related_name="assessments")
    site = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="+")
    category = models.ForeignKey(Category, on_delete=models.PROTECT, related_name="+")
    checklist = models.ForeignKey(ChecklistVersion, on_delete=models.PROTECT, related_name="+")
    standard_version = models.ForeignKey(StandardVersion, on_delete=models.PROTECT, related_name="+")
    assessor = models.ForeignKey(Account, on_delete=models.PROTECT, related_name="assessments")
    booking = models.ForeignKey(
        Booking, on_delete=models.PROTECT, null=True, blank=True, related_name="assessments"
    )
    alongside = models.ForeignKey(
        "self", on_delete=models.PROTECT, null=True, blank=True, related_name="second_markings"
    )
    status = models.CharField(max_length=9, choices=Status, default=Status.MARKING)
    started_at = models.DateTimeField()
    finished_at = models.DateTimeField(null=True, blank=True)
    # What the marks amount to, with what made it: the outcome's plain form.
    outcome = models.JSONField(null=True, blank=True)
    is_competent = models.BooleanField("found competent", null=True, blank=True)
    decided_why = models.CharField("why it differs from the marks", max_length=500, blank=True)
    raised_by = models.ForeignKey(Account, on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    assessor_confirmed_at = models.DateTimeField(null=True, blank=True)
    operator_confirmed_at = models.DateTimeField(null=True, blank=True)
    # An operator who never confirms cannot keep a result from the record.
    unconfirmed_at = models.DateTimeField("recorded as not confirmed", null=True, blank=True)
    unconfirmed_by = models.ForeignKey(
        Account, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    unconfirmed_why = models.CharField("why the operator did not confirm", max_length=300, blank=True)
    abandoned_why = models.CharField(max_length=300, blank=True)
    evidence = models.OneToOneField(
        Evidence, on_delete=models.PROTECT, null=True, blank=True, related_name="assessment"
    )

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["operator", "machine", "assessor"],
                condition=Q(status="marking"),
                name="one_open_assessment_per_assessor_operator_machine",
                violation_error_message="You are assessing this operator on this machine already.",
            ),
            models.CheckConstraint(
                condition=Q(status="marking", finished_at__isnull=True)
                | (Q(status="abandoned") & ~Q(abandoned_why=""))
                | Q(
                    status="finished",
                    finished_at__isnull=False,
                    outcome__isnull=False,
                    is_competent__isnull=False,
                )
                | Q(
                    status="confirmed",
                    finished_at__isnull=False,
                    outcome__isnull=False,
                    is_competent__isnull=False,
                    assessor_confirmed_at__isnull=False,
                )
                & (Q(operator_confirmed_at__isnull=False) | Q(unconfirmed_at__isnull=False)),
                name="assessment_is_as_whole_as_its_status",
            ),
            models.CheckConstraint(
                condition=Q(unconfirmed_at__isnull=True, unconfirmed_by__isnull=True, unconfirmed_why="")
                | Q(
                    status="confirmed",
                    operator_confirmed_at__isnull=True,
                    unconfirmed_at__isnull=False,
                    unconfirmed_by__isnull=False,
                )
                & ~Q(unconfirmed_why=""),
                name="unconfirmed_assessment_says_by_whom_and_why",
            ),
            models.CheckConstraint(
                condition=Q(raised_by__isnull=True) | ~Q(raised_by=F("assessor")),
                name="raising_takes_a_second_assessor",
            ),
        ]
        indexes = [
            models.Index(fields=["assessor", "status"], name="assessment_of_assessor"),
            models.Index(fields=["started_at"], name="assessment_in_time"),
            # Most have neither, which makes a planner think little of the key's own index.
            models.Index(
                fields=["booking"], condition=Q(booking__isnull=False), name="assessment_of_booking"
            ),
            models.Index(
                fields=["alongside"], condition=Q(alongside__isnull=False), name="assessment_alongside"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.id}"

    @property
    def number(self) -> str:
        """What people call it by: the first eight characters of its id."""
        return str(self.id)[:8].upper()


class AssessedPoint(Kept):
    """A point that applied to the machine as it was fitted when the assessment started."""

    assessment = models.ForeignKey(Assessment, on_delete=models.PROTECT, related_name="points")
    listed = models.ForeignKey(ListedPoint, on_delete=models.PROTECT, related_name="+")

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["assessment", "listed"], name="point_assessed_once"),
        ]

    def __str__(self) -> str:
        return f"{self.assessment_id} {self.listed_id}"


class Tap(Kept):
    """One tap at one point: a mark given, or taken back (no mark). The last one counts; all are kept.

    The order of the taps of an assessment, by primary key, is the order in which things were seen: a
    device's clock may run backwards, the order of arrival does not.
    """

    class Mark(models.TextChoices):
        UNPROMPTED = "unprompted", "Unprompted"
        PROMPTED = "prompted", "After a prompt"
        MISSED = "missed", "Missed"
        UNSAFE = "unsafe", "Unsafe"

    assessment = models.ForeignKey(Assessment, on_delete=models.PROTECT, related_name="taps")
    listed = models.ForeignKey(ListedPoint, on_delete=models.PROTECT, related_name="+")
    mark = models.CharField(max_length=10, choices=Mark, blank=True)
    # Made by the page, so that a tap that is sent twice is kept once.
    sent_as = models.UUIDField(unique=True)
    device = models.CharField(max_length=36, blank=True)
    tapped_at = models.DateTimeField()
    recorded_at = models.DateTimeField()

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(mark__in=["", "unprompted", "prompted", "missed", "unsafe"]),
                name="tap_gives_a_known_mark_or_takes_it_back",
            ),
        ]
        indexes = [models.Index(fields=["assessment", "id"], name="taps_in_order")]

    def __str__(self) -> str:
        return f"{self.assessment_id} {self.listed_id}: {self.mark or 'taken back'}"


def note_photograph_path(note: "PointNote", filename: str) -> str:
    return f"assessments/{note.assessment_id}/{uuid.uuid4()}.jpg"


class PointNote(Kept):
    """A remark or a photograph on one point."""

    assessment = models.ForeignKey(Assessment, on_delete=models.PROTECT, related_name="notes")
    listed = models.ForeignKey(ListedPoint, on_delete=models.PROTECT, related_name="+")
    text = models.CharField(max_length=500, blank=True)
    photograph = models.ImageField(upload_to=note_photograph_path, blank=True)
    photograph_sha256 = models.CharField(max_length=64, blank=True)
    sent_as = models.UUIDField(unique=True)
    recorded_at = models.DateTimeField()

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=~Q(text="") | ~Q(photograph=""), name="point_note_says_or_shows_something"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.assessment_id} {self.listed_id}: {self.text[:40]}"


class AssessmentCorrection(Kept):
    """What a confirmed assessment should have said: never an overwrite. The newest one holds."""

    assessment = models.ForeignKey(Assessment, on_delete=models.PROTECT, related_name="corrections")
    is_competent = models.BooleanField("found competent")
    reason = models.CharField(max_length=500)
    evidence = models.OneToOneField(Evidence, on_delete=models.PROTECT, related_name="assessment_correction")
    recorded_at = models.DateTimeField()
    recorded_by = models.ForeignKey(Account, on_delete=models.PROTECT, related_name="+")

    class Meta:
        constraints = [
            models.CheckConstraint(condition=~Q(reason=""), name="assessment_correction_has_a_reason"),
        ]

    def __str__(self) -> str:
        return f"{self.assessment_id} corrected {self.recorded_at:%Y-%m-%d}"
