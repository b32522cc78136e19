from jobs.models.adapters import AdapterLead, AdapterWire
from jobs.models.bay_sheet import (
    FaultCodes,
    FitOutcome,
    FitProof,
    FunctionCheck,
    FunctionResult,
    HeardFrom,
    JobNote,
    Panel,
    PanelState,
    Reading,
    ReadingKind,
)
from jobs.models.channels import Channel, JobSpeaker
from jobs.models.check_in import CheckIn, ConditionMark, MarkKind
from jobs.models.clock import ClockEnd, TimeEntry
from jobs.models.comebacks import ComebackCause, ComebackFacts
from jobs.models.desk import DeskFacts, Said, Stay
from jobs.models.entered import EnteredSetting
from jobs.models.estimates import (
    ApprovedBy,
    EstimateApproval,
    EstimateLine,
    LineKind,
    Payment,
    PaymentKind,
)
from jobs.models.events import JobEvent
from jobs.models.hooks import Hook, HookDelivery, News, Told
from jobs.models.job import Job, JobPart
from jobs.models.mail import Delivery, Mail
from jobs.models.measured import (
    FactoryOutput,
    FactorySum,
    ListeningSeat,
    MeasuredPhase,
    MeasuredResponse,
    Microphone,
    OutputSide,
    ProposalLimits,
    Recording,
    SeatDistance,
    SeatPlace,
    ShopTarget,
    TuningFacts,
)
from jobs.models.photos import Photo
from jobs.models.power import PowerRun, SupplyFacts
from jobs.models.record import RecordChain, Seal, SealKind, ShopChain, SigningCertificate
from jobs.models.setups import SavedSetup, SetupEvent, SetupState, SetupUse, SetupVersion
from jobs.models.sign_off import FindingReason, InstallSheet, SendBack, SheetReceipt
from jobs.models.steps import CautionKind, Gate, JobStep, StepOutcome, StepTemplate, WorkKind
from jobs.models.supply import PartSupply, SupplyState
from jobs.models.tuning import ChannelSetting, OtherSetting, TuningKind, TuningRecord

__all__ = [
    "AdapterLead",
    "AdapterWire",
    "ApprovedBy",
    "CautionKind",
    "Channel",
    "ChannelSetting",
    "CheckIn",
    "ClockEnd",
    "ComebackCause",
    "ComebackFacts",
    "ConditionMark",
    "Delivery",
    "DeskFacts",
    "EnteredSetting",
    "EstimateApproval",
    "EstimateLine",
    "FactoryOutput",
    "FactorySum",
    "FaultCodes",
    "FindingReason",
    "FitOutcome",
    "FitProof",
    "FunctionCheck",
    "FunctionResult",
    "Gate",
    "HeardFrom",
    "Hook",
    "HookDelivery",
    "InstallSheet",
    "Job",
    "JobEvent",
    "JobNote",
    "JobPart",
    "JobSpeaker",
    "JobStep",
    "LineKind",
    "ListeningSeat",
    "Mail",
    "MarkKind",
    "MeasuredPhase",
    "MeasuredResponse",
    "Microphone",
    "News",
    "OtherSetting",
    "OutputSide",
    "Panel",
    "PanelState",
    "PartSupply",
    "Payment",
    "PaymentKind",
    "Photo",
    "PowerRun",
    "ProposalLimits",
    "Reading",
    "ReadingKind",
    "RecordChain",
    "Recording",
    "Said",
    "SavedSetup",
    "Seal",
    "SealKind",
    "SeatDistance",
    "SeatPlace",
    "SendBack",
    "SetupEvent",
    "SetupState",
    "SetupUse",
    "SetupVersion",
    "SheetReceipt",
    "ShopChain",
    "ShopTarget",
    "SigningCertificate",
    "Stay",
    "StepOutcome",
    "StepTemplate",
    "SupplyFacts",
    "SupplyState",
    "TimeEntry",
    "Told",
    "TuningFacts",
    "TuningKind",
    "TuningRecord",
    "WorkKind",
]
