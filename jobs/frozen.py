"""Signed rows and the event log cannot be changed: the database itself refuses.

Every table is sorted here: append-only (rows are never changed), with the job (rows are closed
while their job is, see CLOSED), beside it, or free. What a row belongs to is read from the models,
and `shop.frozen` makes the triggers.
"""

from functools import cache
from typing import Any, Final

from django.db import models

from shop.frozen import (
    MESSAGE,
    Refusals,
    append_only,
    guard,
    model_of,
    pushed_out,
)

CLOSED: Final = "(job.stage IN ('signed_off', 'collected') AND job.correction = '')"
"""In SQL, of the row `job` of jobs_job: what the job's signed sheet rests on may not change.

Whatever opens a signed job again for a correction has to be said here, and nowhere else.
"""

APPEND_ONLY: Final = frozenset(
    {
        "jobs.InstallSheet",
        "jobs.SheetReceipt",
        "jobs.JobEvent",
        "jobs.EstimateApproval",
        "jobs.Payment",
        "jobs.Seal",
        "jobs.SigningCertificate",
        "jobs.SetupVersion",
        "jobs.SetupEvent",
    }
)
"""Rows of these are added, and then never changed or deleted."""

WITH_JOB: Final[dict[str, frozenset[str]]] = {
    "jobs.Job": frozenset(
        {
            "stage",
            "stage_since",
            "stage_reason",
            "held_from",
            "version",
            "correction",
            "correction_since",
            "correction_reason",
        }
    ),
    "jobs.JobPart": frozenset(),
    "jobs.JobSpeaker": frozenset(),
    "jobs.Channel": frozenset(),
    "jobs.Channel_speakers": frozenset(),
    "jobs.CheckIn": frozenset(),
    "jobs.ConditionMark": frozenset(),
    "jobs.FitProof": frozenset(),
    "jobs.FunctionCheck": frozenset(),
    "jobs.Reading": frozenset(),
    "jobs.FaultCodes": frozenset(),
    "jobs.Panel": frozenset(),
    "jobs.AdapterLead": frozenset(),
    "jobs.AdapterWire": frozenset(),
    "jobs.JobNote": frozenset(),
    "jobs.JobStep": frozenset(),
    "jobs.Photo": frozenset(),
    "jobs.PowerRun": frozenset(),
    "jobs.SupplyFacts": frozenset(),
    "jobs.TuningFacts": frozenset(),
    "jobs.TuningRecord": frozenset(),
    "jobs.ChannelSetting": frozenset(),
    "jobs.OtherSetting": frozenset(),
    "jobs.EnteredSetting": frozenset(),
    "jobs.ListeningSeat": frozenset(),
    "jobs.SeatDistance": frozenset(),
    "jobs.Recording": frozenset(),
    "jobs.MeasuredResponse": frozenset(),
    "jobs.FactoryOutput": frozenset(),
    "jobs.FactorySum": frozenset(),
    "jobs.SendBack": frozenset(),
    "jobs.FindingReason": frozenset(),
    "jobs.SetupUse": frozenset({"learned_at"}),
    "jobs.TimeEntry": frozenset(
        {"started_at", "ended_at", "ended_by", "note", "forgotten", "confirmed_at", "version"}
    ),
}
"""Rows closed with their job, and the fields that stay open even then: a job goes on to be
collected or corrected, a manager puts times right and learns from a setup afterwards."""

FREE: Final[dict[str, str]] = {
    "jobs.SavedSetup": "a setup is offered and withdrawn; what it holds stands in its versions",
    "jobs.ComebackCause": "the shop's own list: no sheet names a cause",
    "jobs.WorkKind": "the shop's own lists: a job has copied its steps",
    "jobs.StepTemplate": "the shop's own lists: a job has copied its steps",
    "jobs.ShopTarget": "the shop's own curves: a sheet has its curve in its document",
    "jobs.ProposalLimits": "the shop's own limits",
    "jobs.Microphone": "the shop's own: what was heard through one was corrected when it was heard",
    "jobs.Hook": "which other programs are told",
    "jobs.HookDelivery": "what another program was told stands in the job's own log",
    "shop.Shop": "a sheet has the shop's name and address in its document",
    "shop.ShopLogo": "a sheet has the logo in its document",
    "shop.StaffMember": "people change names and roles; a sheet has the names in its document",
    "shop.Customer": "a sheet has the customer in its document",
    "shop.Vehicle": "a sheet has the vehicle in its document",
    "shop.VehicleModel": "a sheet has the vehicle in its document",
    "shop.Product": "a sheet has the products in its document",
    "shop.ProductRating": "a sheet has the products in its document",
    "shop.PlugTable": "what is known of plugs grows; a job's wires stand in its own rows",
    "shop.PlugCavity": "what is known of plugs grows; a job's wires stand in its own rows",
    "shop.CatalogueUpload": "a file on its way into the catalogue",
    "shop.TaxRate": "an approved estimate has its taxes in its document",
    "shop.Branch": "a sheet has the branch's name, address and phone in its document",
    "shop.StaffMember_branches": "who works where now",
    "shop.Bay": "bays are named anew and closed",
    "shop.OpenHours": "when the shop is open",
    "shop.ClosedDays": "when the shop is open",
    "shop.WorkedHoliday": "when the shop is open",
    "shop.Absence": "who is away when",
    "shop.Tablet": "tablets come and go",
    "shop.PinAttempts": "counts wrong PINs",
    "shop.SignIn": "who is signed in where now",
    "shop.CodeApp": "what a person signs in with now",
    "shop.Passkey": "what a person signs in with now",
    "shop.RecoveryCode": "what a person signs in with now",
    "shop.SignInAttempts": "counts wrong passwords",
    "shop.ApiToken": "tokens come and go; what one wrote stands in the log",
    "shop.ApiWrite": "answers kept for a repeat of the same request",
    "shop.LabelSheet": "how labels are printed",
}
"""Tables that may change at any time, and why that harms no signed sheet."""

BESIDE: Final[dict[str, str]] = {
    "jobs.EstimateLine": "what it costs is agreed to the end, and no sheet shows it",
    "jobs.PartSupply": "a part may go back to its supplier afterwards; no sheet says where it is",
    "jobs.ComebackFacts": "why it came back is found out to the end, and no sheet says it",
    "jobs.Mail": "a mail goes out after the sheet is signed, and no sheet shows it",
    "jobs.DeskFacts": "keys hang elsewhere and customers are reached otherwise to the end",
}
"""Rows of a job that change after its sheet is signed as well, for no sheet shows or rests on
them, and why."""

KEYED: Final = frozenset({"jobs.RecordChain", "jobs.ShopChain"})
"""Written with every event; a keyed hash in the row itself shows any other change."""

FREE_APPS: Final = frozenset({"auth", "contenttypes", "sessions"})
"""Applications not of this project: no job stands in them."""

JOB_MESSAGE: Final = "Rows of a signed job cannot be changed: open a correction first."

_CHECK_IN_SIGNED: Final[dict[str, str]] = {
    "jobs.CheckIn": "{row}.signed_at IS NOT NULL",
    "jobs.ConditionMark": (
        "EXISTS (SELECT 1 FROM jobs_checkin signed"
        " WHERE signed.id = {row}.check_in_id AND signed.signed_at IS NOT NULL)"
    ),
    "jobs.Photo": (
        "(({row}.subject = 'check_in' OR {row}.subject LIKE 'mark:%')"
        " AND EXISTS (SELECT 1 FROM jobs_checkin signed"
        " WHERE signed.job_id = {row}.job_id AND signed.signed_at >= {row}.at))"
    ),
}
"""What else closes a row: the customer has signed the condition on arrival."""
_NONE_MORE: Final = frozenset({"jobs.ConditionMark"})
"""Of those, the ones that take no new row either."""


def owners(model: type[models.Model]) -> list[models.ForeignKey[Any, Any]]:
    """The fields that make a row part of a job: to the job itself first, or to rows of it."""
    fields = [
        field
        for field in model._meta.concrete_fields
        if isinstance(field, models.ForeignKey)
        and field.related_model is not model
        and field.related_model._meta.label in WITH_JOB
    ]
    return sorted(fields, key=lambda field: field.related_model._meta.label != "jobs.Job")


def job_path(model: type[models.Model]) -> str:
    """The lookup from a row to its job: "job", "check_in__job"; "pk" of the job itself."""
    if model._meta.label == "jobs.Job":
        return "pk"
    field = owners(model)[0]
    further = job_path(field.related_model)
    return field.name if further == "pk" else f"{field.name}__{further}"


def _of_closed_job(model: type[models.Model], row: str, depth: int = 0) -> str:
    """SQL: the row belongs to a closed job. `row` is its alias, OLD or NEW."""
    if model._meta.label == "jobs.Job":
        return CLOSED.replace("job.", f"{row}.")
    conditions = []
    for field in owners(model) if depth == 0 else owners(model)[:1]:
        parent = field.related_model
        alias = "job" if parent._meta.label == "jobs.Job" else f"up{depth}"
        conditions.append(
            f"EXISTS (SELECT 1 FROM {parent._meta.db_table} {alias}"
            f' WHERE {alias}.id = {row}."{field.column}"'
            f" AND {_of_closed_job(parent, alias, depth + 1)})"
        )
    return f"({' OR '.join(conditions)})"


@cache
def _refusals(label: str, vendor: str) -> Refusals:
    """When an INSERT, UPDATE or DELETE is refused, in SQL, and with what message."""
    model = model_of(label)
    sqlite = vendor == "sqlite"
    if label in APPEND_ONLY:
        refusals = append_only(label, vendor)
        if label == "jobs.InstallSheet":
            pushed, _ = refusals.get("INSERT", ("", ""))
            when = filter(None, [_of_closed_job(model, "NEW"), pushed])
            refusals["INSERT"] = (" OR ".join(when), MESSAGE)
        return refusals
    closed = {row: _of_closed_job(model, row) for row in ("OLD", "NEW", "kept")}
    touched = f"{closed['OLD']} OR {closed['NEW']}"
    if label == "jobs.Job":
        touched = closed["OLD"]
    if opens := WITH_JOB[label]:
        kept = [f.column for f in model._meta.concrete_fields if f.name not in opens]
        differ = "IS NOT" if sqlite else "IS DISTINCT FROM"
        changed = " OR ".join(f'OLD."{column}" {differ} NEW."{column}"' for column in kept)
        touched = f"({touched}) AND ({changed})"
    insert = [] if label == "jobs.Job" else [closed["NEW"]]
    update, delete = [f"({touched})"], [closed["OLD"]]
    kept_closed = closed["kept"]
    if signed := _CHECK_IN_SIGNED.get(label):
        update.append(signed.format(row="OLD"))
        delete.append(signed.format(row="OLD"))
        kept_closed += f" OR {signed.format(row='kept')}"
        if label in _NONE_MORE:
            insert.append(signed.format(row="NEW"))
            update.append(signed.format(row="NEW"))
    if sqlite:
        insert.append(pushed_out(model, but_old=False, closed=kept_closed))
        update.append(pushed_out(model, but_old=True, closed=kept_closed))
    by_verb = {"INSERT": insert, "UPDATE": update, "DELETE": delete}
    return {verb: (" OR ".join(when), JOB_MESSAGE) for verb, when in by_verb.items() if when}


guard((*APPEND_ONLY, *WITH_JOB), _refusals)
