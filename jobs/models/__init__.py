from jobs.models.bay_sheet import (
    FitOutcome,
    FitProof,
    FunctionCheck,
    FunctionResult,
    JobNote,
    Reading,
    ReadingKind,
)
from jobs.models.channels import Channel, JobSpeaker
from jobs.models.check_in import CheckIn, ConditionMark, MarkKind
from jobs.models.events import JobEvent
from jobs.models.job import Job, JobPart
from jobs.models.power import PowerRun, SupplyFacts
from jobs.models.setups import SavedSetup
from jobs.models.sign_off import FindingReason, InstallSheet, SendBack, SheetReceipt
from jobs.models.tuning import ChannelSetting, OtherSetting, TuningKind, TuningRecord

__all__ = [
    "Channel",
    "ChannelSetting",
    "CheckIn",
    "ConditionMark",
    "FindingReason",
    "FitOutcome",
    "FitProof",
    "FunctionCheck",
    "FunctionResult",
    "InstallSheet",
    "Job",
    "JobEvent",
    "JobNote",
    "JobPart",
    "JobSpeaker",
    "MarkKind",
    "OtherSetting",
    "PowerRun",
    "Reading",
    "ReadingKind",
    "SavedSetup",
    "SendBack",
    "SheetReceipt",
    "SupplyFacts",
    "TuningKind",
    "TuningRecord",
]
