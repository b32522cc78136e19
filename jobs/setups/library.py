"""Saved setups: kept from a signed sheet, approved, given new versions, withdrawn.

A setup is never deleted and a version never changed: what was used can always be read.
"""

from collections.abc import Mapping
from typing import Any

from django.db import IntegrityError, transaction
from django.utils import timezone
from django.utils.translation import gettext

from jobs.errors import ChangedMeanwhile, Refused
from jobs.models import InstallSheet, Job, SavedSetup, SetupEvent, SetupState, SetupVersion
from jobs.services.events import log
from jobs.setups import document as setup_document
from jobs.sheet.document import sha256_of
from shop.models import StaffMember, VehicleModel
from shop.services.events import subject_of


def note_event(
    setup: SavedSetup,
    actor: StaffMember,
    code: str,
    before: Mapping[str, Any] | None = None,
    after: Mapping[str, Any] | None = None,
) -> SetupEvent:
    """Write what was done with a setup into its own log."""
    return SetupEvent.objects.create(
        setup=setup, actor=actor, code=code, before=before or {}, after=after or {}
    )


def _locked(setup_id: int) -> SavedSetup:
    rows = SavedSetup.objects.select_for_update(of=("self",))
    return rows.select_related("vehicle_model").get(pk=setup_id)


@transaction.atomic
def keep(
    model: VehicleModel,
    name: str,
    note: str,
    document: Mapping[str, Any],
    actor: StaffMember,
    *,
    sheet: InstallSheet | None = None,
    origin: Mapping[str, Any] | None = None,
) -> SavedSetup:
    """A new draft with its first version. Raises Refused where the name is taken."""
    name = " ".join(name.split())
    try:
        with transaction.atomic():
            setup = SavedSetup.objects.create(
                vehicle_model=model,
                name=name,
                note=note.strip(),
                product_names=setup_document.product_names(document),
                from_sheet=sheet,
                origin=origin or {},
                by=actor,
            )
    except IntegrityError:
        raise Refused(
            gettext("%(model)s already has a setup named “%(name)s”: choose another.")
            % {"model": model, "name": name}
        ) from None
    SetupVersion.objects.create(
        setup=setup,
        number=1,
        document=document,
        document_sha256=sha256_of(dict(document)),
        from_sheet=sheet,
        by=actor,
    )
    return setup


@transaction.atomic
def create_setup(sheet_id: int, name: str, note: str, actor: StaffMember) -> SavedSetup:
    """Keep a signed sheet's plan and settings for its vehicle model, as a draft. Raises Refused."""
    sheet = InstallSheet.objects.select_related("job__vehicle__vehicle_model").get(pk=sheet_id)
    try:
        document = setup_document.from_sheet(sheet)
    except setup_document.SetupError as error:
        raise Refused(str(error)) from None
    model = sheet.job.vehicle.vehicle_model
    setup = keep(model, name, note, document, actor, sheet=sheet)
    data = {"name": setup.name, "sheet": sheet.number}
    note_event(setup, actor, "setup.saved", after=data)
    log(sheet.job, actor, "setup.saved", subject=subject_of(setup), after=data)
    return setup


@transaction.atomic
def edit_setup(setup_id: int, name: str, note: str, actor: StaffMember) -> SavedSetup:
    """Change name and note; the versions stay as they are. Raises Refused."""
    setup = _locked(setup_id)
    before = {"name": setup.name, "note": setup.note}
    after = {"name": " ".join(name.split()), "note": note.strip()}
    if after == before:
        return setup
    try:
        with transaction.atomic():
            SavedSetup.objects.filter(pk=setup_id).update(**after)
    except IntegrityError:
        raise Refused(
            gettext("This model already has a setup named “%(name)s”: choose another.")
            % {"name": name}
        ) from None
    note_event(setup, actor, "setup.changed", before, after)
    setup.refresh_from_db()
    return setup


def _set_state(setup: SavedSetup, state: SetupState, reason: str, actor: StaffMember) -> SavedSetup:
    before = {"state": setup.state, "reason": setup.state_reason}
    setup.state, setup.state_reason = state, reason
    setup.state_by, setup.state_at = actor, timezone.now()
    setup.save(update_fields=["state", "state_reason", "state_by", "state_at"])
    after = {"state": str(state), "reason": reason}
    note_event(setup, actor, f"setup.{state}", before, after)
    return setup


@transaction.atomic
def approve_setup(setup_id: int, actor: StaffMember) -> SavedSetup:
    """Offer a draft first from now on; a manager answers for it. Raises Refused."""
    setup = _locked(setup_id)
    if not actor.is_manager:
        raise Refused(gettext("A setup is approved by a manager."))
    if setup.state != SetupState.DRAFT:
        raise Refused(
            gettext("“%(setup)s” is %(state)s already.")
            % {"setup": setup, "state": setup.get_state_display().lower()}
        )
    return _set_state(setup, SetupState.APPROVED, "", actor)


@transaction.atomic
def withdraw_setup(setup_id: int, reason: str, actor: StaffMember) -> SavedSetup:
    """Offer it no more, with a reason. Jobs that took it over keep what they took."""
    if not reason.strip():
        raise Refused(gettext("Say why the setup is withdrawn: the reason stays with it."))
    setup = _locked(setup_id)
    if setup.is_withdrawn:
        raise Refused(gettext("“%(setup)s” is withdrawn already.") % {"setup": setup})
    return _set_state(setup, SetupState.WITHDRAWN, reason.strip(), actor)


@transaction.atomic
def bring_back(setup_id: int, actor: StaffMember) -> SavedSetup:
    """Make a withdrawn setup a draft again: it needs a new approval. Raises Refused."""
    setup = _locked(setup_id)
    if not setup.is_withdrawn:
        raise Refused(gettext("“%(setup)s” is not withdrawn.") % {"setup": setup})
    return _set_state(setup, SetupState.DRAFT, "", actor)


@transaction.atomic
def add_version(
    setup_id: int,
    document: Mapping[str, Any],
    note: str,
    actor: StaffMember,
    *,
    on: int,
    sheet: InstallSheet | None = None,
) -> SetupVersion:
    """A new version on top of version `on`; the state stays. Raises Refused, and
    ChangedMeanwhile when somebody made another version meanwhile."""
    setup = _locked(setup_id)
    if setup.version != on:
        raise ChangedMeanwhile(
            gettext("“%(setup)s” got version %(version)s meanwhile: look again.")
            % {"setup": setup, "version": setup.version}
        )
    try:
        document = setup_document.checked(document)
    except setup_document.SetupError as error:
        raise Refused(str(error)) from None
    version = SetupVersion.objects.create(
        setup=setup,
        number=on + 1,
        document=document,
        document_sha256=sha256_of(document),
        note=note.strip(),
        from_sheet=sheet,
        by=actor,
    )
    setup.version = on + 1
    setup.product_names = setup_document.product_names(document)
    setup.save(update_fields=["version", "product_names"])
    note_event(setup, actor, "setup.version", {"version": on}, {"version": on + 1, "note": note})
    return version


def comebacks_since(setup: SavedSetup) -> int:
    """Jobs that answer for a job in which this setup was used, or for the one it came from."""
    jobs = list(setup.uses.values_list("job_id", flat=True))
    if setup.from_sheet is not None:
        jobs.append(setup.from_sheet.job_id)
    return Job.objects.filter(comeback_of__in=jobs).count()
