"""What a signed job did otherwise than the setup it used, folded into a new version."""

from collections.abc import Iterable

from django.db import transaction
from django.utils import timezone
from django.utils.translation import gettext

from jobs.errors import Refused
from jobs.models import InstallSheet, SetupUse, SetupVersion
from jobs.setups import diff as setup_diff, document as setup_document, library as setups
from jobs.setups.diff import Difference
from jobs.sheet.sign_off import latest_sheet
from jobs.wording import Local
from shop.models import Shop, StaffMember


def _local() -> Local:
    shop = Shop.objects.current()
    return Local(shop.units, shop.time_zone)


def _sheet_of(use: SetupUse) -> InstallSheet:
    sheet = latest_sheet(use.job)
    if sheet is None or use.job.sheet_is_open or use.job.correction:
        raise Refused(
            gettext("%(job)s is not signed yet: it teaches once it is.") % {"job": use.job}
        )
    return sheet


def lessons(use: SetupUse) -> list[Difference]:
    """What the signed job did otherwise than the setup says now. Raises Refused."""
    try:
        done = setup_document.from_sheet(_sheet_of(use))
        return setup_diff.differences(use.setup.document, done, _local())
    except setup_document.SetupError as error:
        raise Refused(str(error)) from None


@transaction.atomic
def learn(
    use_id: int, chosen: Iterable[str], note: str, actor: StaffMember, *, on: int
) -> SetupVersion | None:
    """Fold the chosen differences into a new version on top of version `on`; none chosen only
    says that they were looked at. Raises Refused, ChangedMeanwhile."""
    if not actor.is_manager:
        raise Refused(gettext("A manager decides what goes into the setup."))
    use = SetupUse.objects.select_related("setup__vehicle_model", "job").get(pk=use_id)
    chosen = list(chosen)
    version = None
    if chosen:
        sheet = _sheet_of(use)
        document = setup_diff.fold(
            use.setup.document, setup_document.from_sheet(sheet), chosen, _local()
        )
        note = note.strip() or f"Learned from {sheet.number}"
        version = setups.add_version(use.setup_id, document, note, actor, on=on, sheet=sheet)
    SetupUse.objects.filter(pk=use_id).update(learned_at=timezone.now())
    return version
