"""What assessing keeps, above the register that it writes evidence to."""

from .calendars import CalendarAddress
from .mail import DigestLine, OutgoingMail
from .papers import BlueprintLine, MoreAttempts, Panel, PanelQuestion, PanelRating, PaperVersion
from .plans import Plan
from .practical import AssessedPoint, Assessment, AssessmentCorrection, Booking, PointNote, Tap
from .questions import Question, QuestionReview, QuestionVersion, Topic
from .sittings import Answer, DrawnQuestion, Sitting, SittingEvidence

__all__ = [
    "Answer",
    "AssessedPoint",
    "Assessment",
    "AssessmentCorrection",
    "BlueprintLine",
    "Booking",
    "CalendarAddress",
    "DigestLine",
    "DrawnQuestion",
    "MoreAttempts",
    "OutgoingMail",
    "Panel",
    "PanelQuestion",
    "PanelRating",
    "PaperVersion",
    "Plan",
    "PointNote",
    "Question",
    "QuestionReview",
    "QuestionVersion",
    "Sitting",
    "SittingEvidence",
    "Tap",
    "Topic",
]
