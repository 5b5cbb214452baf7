"""Daily checks, their findings, the defects they raise, and the refusals of those who were stopped."""

import uuid

from django.db import models
from django.db.models import F, Q

from .accounts import Account
from .base import Kept
from .checklists import ChecklistVersion, ListedPoint
from .people import Operator, Site
from .plant import Machine


class Grade(models.TextChoices):
    STOP_USE = "stop_use", "Stop use"
    REPORT = "report", "Report"


class DailyCheck(models.Model):
    """One daily check: a draft until it is submitted, exactly once, and never changed after."""

    class Status(models.TextChoices):
        DRAFT = "draft", "Draft"
        SUBMITTED = "submitted", "Submitted"
        SET_ASIDE = "set_aside", "Set aside"

    class Result(models.TextChoices):
        FIT = "fit", "Fit for use"
        DO_NOT_USE = "do_not_use", "Do not use"

    # Made by the page that started the check, so that a start or a submission sent twice counts once.
    id = models.UUIDField(primary_key=True, default=uuid.uuid4)
    machine = models.ForeignKey(Machine, on_delete=models.PROTECT, related_name="checks")
    site = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="+")
    operator = models.ForeignKey(Operator, on_delete=models.PROTECT, related_name="checks")
    checklist = models.ForeignKey(ChecklistVersion, on_delete=models.PROTECT, related_name="+")
    supervisor = models.ForeignKey(
        Operator, on_delete=models.PROTECT, null=True, blank=True, related_name="supervised_checks"
    )
    supervision_confirmed_at = models.DateTimeField(null=True, blank=True)
    started_at = models.DateTimeField()
    status = models.CharField(max_length=10, choices=Status, default=Status.DRAFT)
    submitted_at = models.DateTimeField(null=True, blank=True)
    # What the device's own clock said, kept where it is far from the server's.
    device_clock_at = models.DateTimeField(null=True, blank=True)
    hour_meter = models.DecimalField(max_digits=8, decimal_places=1, null=True, blank=True)
    hour_meter_note = models.CharField(max_length=200, blank=True)
    result = models.CharField(max_length=10, choices=Result, blank=True)
    result_reasons = models.JSONField(default=list)
    # The gate's answer at the start and the facts that it rested on.
    verdict = models.JSONField()

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["machine", "operator"],
                condition=Q(status="draft"),
                name="one_open_draft_per_machine_and_operator",
            ),
            models.CheckConstraint(
                condition=Q(
                    status="submitted",
                    submitted_at__isnull=False,
                    hour_meter__isnull=False,
                    result__in=["fit", "do_not_use"],
                )
                | Q(status__in=["draft", "set_aside"], submitted_at__isnull=True, result=""),
                name="submitted_check_is_whole",
            ),
            models.CheckConstraint(
                condition=Q(supervisor__isnull=True) | ~Q(supervisor=F("operator")),
                name="nobody_supervises_themself",
                violation_error_message="The trainee and the supervising operator are the same person.",
            ),
            models.CheckConstraint(
                condition=Q(hour_meter__isnull=True) | Q(hour_meter__gte=0), name="hour_meter_is_not_negative"
            ),
        ]
        indexes = [
            models.Index(fields=["machine", "submitted_at"], name="checks_of_machine_in_time"),
            models.Index(fields=["site", "submitted_at"], name="check_at_site_in_time"),
            models.Index(fields=["status", "submitted_at"], name="check_in_time"),
            # Few are supervised, which makes a planner think little of the key's own index.
            models.Index(
                fields=["supervisor"], condition=Q(supervisor__isnull=False), name="supervised_check"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.id}"


def photograph_path(finding: "Finding", filename: str) -> str:
    return f"checks/{finding.daily_check_id}/{uuid.uuid4()}.jpg"


class Finding(models.Model):
    """The answer to one point of one check."""

    class Answer(models.TextChoices):
        GOOD = "good", "Good"
        DEFECT = "defect", "Defect"
        NOT_REACHED = "not_reached", "Not reached"

    daily_check = models.ForeignKey(DailyCheck, on_delete=models.PROTECT, related_name="findings")
    listed = models.ForeignKey(ListedPoint, on_delete=models.PROTECT, related_name="+")
    answer = models.CharField(max_length=12, choices=Answer)
    grade = models.CharField(max_length=8, choices=Grade, blank=True)
    note = models.CharField(max_length=500, blank=True)
    not_reached_reason = models.CharField(max_length=300, blank=True)
    photograph = models.ImageField(upload_to=photograph_path, blank=True)
    photograph_sha256 = models.CharField(max_length=64, blank=True)
    answered_at = models.DateTimeField()

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["daily_check", "listed"], name="point_answered_once_per_check"),
            models.CheckConstraint(
                condition=(Q(answer="defect", grade__in=["stop_use", "report"]) & ~Q(note=""))
                | (Q(answer="not_reached", grade="") & ~Q(not_reached_reason=""))
                | Q(answer="good", grade=""),
                name="finding_says_what_its_answer_needs",
                violation_error_message=(
                    "A defect needs a grade and a note; a point not reached needs a reason."
                ),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.daily_check_id} {self.listed_id}: {self.answer}"


class Defect(models.Model):
    """Something wrong with a machine: open until a site admin closes it. Graded up, never quietly down."""

    machine = models.ForeignKey(Machine, on_delete=models.PROTECT, related_name="defects")
    site = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="+")
    point_code = models.CharField(max_length=60)
    point_title = models.CharField(max_length=80)
    grade = models.CharField(max_length=8, choices=Grade)
    note = models.CharField(max_length=500)
    opened_at = models.DateTimeField()
    opened_by = models.ForeignKey(Finding, on_delete=models.PROTECT, related_name="opened_defect")
    closed_at = models.DateTimeField(null=True, blank=True)
    closed_by = models.ForeignKey(Account, on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    done = models.CharField("what was done", max_length=500, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["machine", "point_code"],
                condition=Q(closed_at__isnull=True),
                name="one_open_defect_per_machine_and_point",
            ),
            models.CheckConstraint(
                condition=Q(closed_at__isnull=True, closed_by__isnull=True, done="")
                # To a database a moment that is missing is not "too early", so that it is there is said too.
                | (
                    Q(closed_at__isnull=False, closed_at__gte=F("opened_at"), closed_by__isnull=False)
                    & ~Q(done="")
                ),
                name="closed_defect_says_who_when_and_what",
            ),
        ]
        indexes = [
            models.Index(fields=["site", "closed_at", "opened_at"], name="defect_at_site_in_time"),
            models.Index(
                fields=["grade", "opened_at"],
                condition=Q(closed_at__isnull=True),
                name="open_defect_by_grade",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.machine_id} {self.point_title}"

    @property
    def is_open(self) -> bool:
        return self.closed_at is None


class DefectSighting(Kept):
    """A later check that found an open defect still there."""

    defect = models.ForeignKey(Defect, on_delete=models.PROTECT, related_name="sightings")
    finding = models.OneToOneField(Finding, on_delete=models.PROTECT, related_name="sighting")

    def __str__(self) -> str:
        return f"{self.defect_id} in {self.finding_id}"


class Refusal(Kept):
    """A daily check that the gate stopped, kept for ever with every reason and the facts behind it."""

    # Made by the page that asked, so that the same press sent twice is one refusal.
    id = models.UUIDField(primary_key=True, default=uuid.uuid4)
    at = models.DateTimeField()
    operator = models.ForeignKey(Operator, on_delete=models.PROTECT, related_name="refusals")
    machine = models.ForeignKey(Machine, on_delete=models.PROTECT, related_name="refusals")
    site = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="+")
    supervisor = models.ForeignKey(
        Operator, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    verdict = models.JSONField()

    class Meta:
        indexes = [
            models.Index(fields=["site", "at"], name="refusal_at_site_in_time"),
            models.Index(fields=["at"], name="refusal_in_time"),
        ]

    def __str__(self) -> str:
        return f"{self.id}"
