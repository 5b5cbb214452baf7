"""Valid rows by default; a test says only what matters. Nothing here writes the journal: actions do."""

from .accounts import PASSWORD, AccountFactory, RoleFactory
from .checklists import ChecklistVersionFactory, ListedPointFactory, PointFactory
from .checks import DailyCheckFactory, DefectFactory, FindingFactory, MachineUseFactory, RefusalFactory
from .looks import LookFactory
from .people import (
    EmployerFactory,
    MinimumCoverFactory,
    OperatorFactory,
    OperatorStateFactory,
    SiteFactory,
)
from .plant import CategoryFactory, FeatureFactory, MachineFactory, MachineStateFactory
from .samples import SampledItemFactory, SampleFactory, SampleResultFactory, SampleVerdictFactory
from .standards import EvidenceFactory, RequirementFactory, StandardVersionFactory, plain_standard
from .tickets import AppointmentFactory, TicketEventFactory, TicketFactory, authorised_operator

__all__ = [
    "PASSWORD",
    "AccountFactory",
    "AppointmentFactory",
    "CategoryFactory",
    "ChecklistVersionFactory",
    "DailyCheckFactory",
    "DefectFactory",
    "EmployerFactory",
    "EvidenceFactory",
    "FeatureFactory",
    "FindingFactory",
    "ListedPointFactory",
    "LookFactory",
    "MachineFactory",
    "MachineStateFactory",
    "MachineUseFactory",
    "MinimumCoverFactory",
    "OperatorFactory",
    "OperatorStateFactory",
    "PointFactory",
    "RefusalFactory",
    "RequirementFactory",
    "RoleFactory",
    "SampleFactory",
    "SampleResultFactory",
    "SampleVerdictFactory",
    "SampledItemFactory",
    "SiteFactory",
    "StandardVersionFactory",
    "TicketEventFactory",
    "TicketFactory",
    "authorised_operator",
    "plain_standard",
]
