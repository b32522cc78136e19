"""The reads of the step list: for the bay sheet, the job's page and the install sheet."""

from dataclasses import dataclass, field
from functools import cached_property

from jobs.models import CautionKind, Gate, Job, JobStep, StepOutcome
from jobs.services.gates import SECTION_OF_GATE, GateFacts
from jobs.services.steps import photo_counts


@dataclass
class StepLine:
    """A step as its row shows it."""

    step: JobStep
    number: int
    state: str
    """"done", "skipped", "next" for the first one to do, "to_do" for the others."""
    against: list[str] = field(default_factory=list)
    photos: int = 0
    cautions: list[str] = field(default_factory=list)

    @property
    def caution_labels(self) -> list[tuple[str, str]]:
        return [(kind, str(CautionKind(kind).label)) for kind in self.cautions]

    @property
    def gate_label(self) -> str:
        return str(Gate(self.step.gate).label) if self.step.gate else ""

    @property
    def gate_url_name(self) -> str:
        """The page of the bay sheet where what stands against the gate is put right."""
        return f"bay_{SECTION_OF_GATE[Gate(self.step.gate)]}" if self.step.gate else ""


class StepList:
    """The steps of one job in order, with what stands against each."""

    def __init__(self, job: Job, facts: GateFacts | None = None) -> None:
        self.job = job
        self.facts = facts or GateFacts(job)

    @cached_property
    def lines(self) -> list[StepLine]:
        photos = photo_counts(self.job)
        high_voltage = self.job.vehicle.vehicle_model.high_voltage
        early: list[JobStep] = []
        lines = []
        for number, step in enumerate(self.job.steps.select_related("outcome_by"), 1):
            waiting = step.outcome == StepOutcome.TO_DO
            state = step.outcome or ("to_do" if early else "next")
            lines.append(
                StepLine(
                    step,
                    number,
                    state,
                    against=[] if step.outcome == "skipped" else self.facts.against(step.gate),
                    photos=photos.get(step.photo_subject, 0),
                    cautions=[k for k in step.cautions if k != "high_voltage" or high_voltage],
                )
            )
            if waiting:
                early.append(step)
        return lines

    @property
    def done(self) -> int:
        return sum(line.step.outcome != StepOutcome.TO_DO for line in self.lines)

    @property
    def total(self) -> int:
        return len(self.lines)

    @property
    def next(self) -> StepLine | None:
        return next((line for line in self.lines if line.state == "next"), None)

    def line(self, pk: int) -> StepLine:
        """The line of one step; KeyError when the job has no such step."""
        for line in self.lines:
            if line.step.pk == pk:
                return line
        raise KeyError(pk)
