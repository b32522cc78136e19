"""What every page of the tuning section shows, and the plans its curves are drawn from."""

from typing import Any, Final, NamedTuple

from django.http import HttpResponse
from django.urls import reverse

from jobs.models import ChannelSetting, TuningKind, TuningRecord
from jobs.plan.columns import setting_of
from jobs.plan.entered import has_lists
from jobs.plan.power import doc
from jobs.plan.tuning import with_settings
from jobs.views.bay import answers
from jobs.views.bay.bay_sheet import BaySheet
from shop.http import Request


class Page(NamedTuple):
    """One page of the tuning section."""

    id: str
    label: str
    url_name: str
    icon: str


PAGES: Final = (
    Page("settings", "Settings", "bay_tuning", "tuning"),
    Page("delays", "Delays", "bay_delays", "clock"),
    Page("levels", "Levels", "bay_levels", "meter"),
    Page("record", "Measure", "bay_record", "meter"),
    Page("measured", "Measured", "bay_measured", "review"),
    Page("proposal", "Proposal", "bay_proposal", "filter"),
    Page("entry", "Entry list", "bay_entry", "check"),
    Page("capture", "Factory signal", "bay_capture", "wire"),
)


def pages_of(sheet: BaySheet) -> list[tuple[Page, str]]:
    """The pages with their addresses; the factory's signal where the car has such an amplifier, an
    entry list where a program's limits are on record."""
    job = sheet.job
    taken = job.vehicle.vehicle_model.factory_amplifier or job.factory_outputs.exists()
    shown = {"capture": taken, "entry": has_lists(sheet.plan)}
    return [
        (page, reverse(page.url_name, args=[sheet.number]))
        for page in PAGES
        if shown.get(page.id, True)
    ]


def show(
    request: Request,
    sheet: BaySheet,
    current: str,
    template: str,
    *,
    status: int = 200,
    **context: Any,
) -> HttpResponse:
    """A page of the tuning section."""
    answer = answers.page(
        request,
        sheet,
        template,
        tuning_pages=pages_of(sheet),
        tuning_page=current,
        **context,
    )
    answer.status_code = status
    return answer


def plan_of_record(sheet: BaySheet, record: TuningRecord | None) -> doc.Plan | None:
    """The job's plan with the settings of one record; None while it holds none."""
    if record is None:
        return None
    rows = ChannelSetting.objects.filter(record=record).select_related("channel__part")
    settings = {row.channel.plan_id: setting_of(row) for row in rows}
    return with_settings(sheet.plan, settings) if settings else None


def before_plan(sheet: BaySheet) -> doc.Plan | None:
    """The plan as found; None while nothing was written down before the work."""
    return plan_of_record(sheet, sheet.job.tuning_records.filter(kind=TuningKind.BEFORE).first())
