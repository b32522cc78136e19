"""What a job took over from a saved setup, and what this car still asks for."""

from typing import Any

from jobs.reads.left import what_is_left
from jobs.views.bay.bay_sheet import BaySheet


def taken_over(sheet: BaySheet) -> dict[str, Any] | None:
    """The setup the job took over last, how much it left to decide, and what is still to do; None
    where none was taken, or nothing can be entered."""
    use = sheet.job.setup_uses.select_related("setup", "event").order_by("-pk").first()
    if use is None or not sheet.can_edit:
        return None
    open_ones = [finding.severity for finding in sheet.open_findings]
    return {
        "use": use,
        "undecided": sum(map(len, use.event.after.get("left", {}).values())),
        "left": what_is_left(sheet.job, open_ones.count("stop"), open_ones.count("caution")),
    }
