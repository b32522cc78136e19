"""What of a processor's limits an equaliser proposal must keep, beside what the shop allows."""

import msgspec

from wiring.filters.typing_in import q_of_octaves
from wiring.plan import ProcessorLimits
from wiring.tuning.fitting import Limits


def limits_within(processor: ProcessorLimits, allowed: Limits) -> Limits:
    """The narrower of both: number of sections, gain and its step, widths and their step.

    Widths counted in octaves become Q; there, and for gains that stand in a list, the proposal is
    rounded by wiring.filters.typing_in afterwards.
    """
    changes: dict[str, float | int] = {}
    if processor.max_sections is not None:
        changes["count"] = min(allowed.count, processor.max_sections)
    if (gain := processor.gain_db) is not None:
        changes["cut_db"] = min(allowed.cut_db, max(0.0, -gain.low))
        changes["boost_db"] = min(allowed.boost_db, max(0.0, gain.high))
        if gain.step is not None and not gain.values:
            changes["gain_step_db"] = gain.step
    if (width := processor.width) is not None and processor.width_counted != "pole_q":
        low, high = width.low, width.high
        if processor.width_counted == "octaves":
            low, high = q_of_octaves(min(width.high, 20.0)), q_of_octaves(max(width.low, 0.01))
        changes["q_low"] = max(allowed.q_low, low)
        changes["q_high"] = max(changes["q_low"], min(allowed.q_high, high))
        if processor.width_counted == "q" and width.step is not None and not width.values:
            changes["q_step"] = width.step
    return msgspec.structs.replace(allowed, **changes)
