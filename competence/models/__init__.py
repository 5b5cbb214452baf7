"""The register's data, with the invariants that the database itself enforces."""

from .absences import Absence
from .accounts import Account, Role
from .base import AlteringKeptRow
from .cards import Card, CardStop, CardTicket, Credential, OperatorPhotograph, StatusPlace
from .checklists import ChecklistVersion, ListedPoint, Point, Precedence
from .checks import DailyCheck, Defect, DefectSighting, Finding, Grade, Refusal
from .evidence import Evidence
from .imports import ImportedRow, ImportFile, ImportRun, RememberedWord
from .journal import Checkpoint, JournalEntry, JournalledRow
from .keeping import ErasedRow, Erasure, KeepingRule
from .looks import Look
from .people import Employer, MinimumCover, Operator, OperatorState, Site
from .plant import Category, Feature, FittedFeature, Machine, MachineState
from .samples import Sample, SampledItem, SampleResult, SampleVerdict
from .standards import AcceptedCategory, Requirement, StandardVersion
from .tickets import Appointment, Level, Ticket, TicketEvent
from .uses import MachineUse

__all__ = [
    "Absence",
    "AcceptedCategory",
    "Account",
    "AlteringKeptRow",
    "Appointment",
    "Card",
    "CardStop",
    "CardTicket",
    "Category",
    "ChecklistVersion",
    "Checkpoint",
    "Credential",
    "DailyCheck",
    "Defect",
    "DefectSighting",
    "Employer",
    "ErasedRow",
    "Erasure",
    "Evidence",
    "Feature",
    "Finding",
    "FittedFeature",
    "Grade",
    "ImportFile",
    "ImportRun",
    "ImportedRow",
    "JournalEntry",
    "JournalledRow",
    "KeepingRule",
    "Level",
    "ListedPoint",
    "Look",
    "Machine",
    "MachineState",
    "MachineUse",
    "MinimumCover",
    "Operator",
    "OperatorPhotograph",
    "OperatorState",
    "Point",
    "Precedence",
    "Refusal",
    "RememberedWord",
    "Requirement",
    "Role",
    "Sample",
    "SampleResult",
    "SampleVerdict",
    "SampledItem",
    "Site",
    "StandardVersion",
    "StatusPlace",
    "Ticket",
    "TicketEvent",
]
