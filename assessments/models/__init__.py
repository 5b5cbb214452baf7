"""What assessing keeps, above the register that it writes evidence to."""

from .practical import AssessedPoint, Assessment, AssessmentCorrection, Booking, PointNote, Tap

__all__ = ["AssessedPoint", "Assessment", "AssessmentCorrection", "Booking", "PointNote", "Tap"]
