"""Where on the bay sheet a place of the plan stands: its element's id and its address."""

from django.urls import reverse

from jobs.plan.power import Finding, doc

_GROUP_OF_RULE = {
    "wire-without-speaker": "wires",
    "wire-not-written": "wires",
    "wire-colour": "wires",
    "polarity-not-proved": "wires",
    "polarity-contradicted": "wires",
    "place-contradicted": "wires",
    "speaker-cable-known": "cables",
    "speaker-cable-load": "cables",
    "speaker-cable-loss": "cables",
    "speaker-cable-protection": "cables",
}
"""Rules whose cells stand in another group of the channel grid than the speakers."""


_READING_RULES = frozenset({"key-off-added", "key-off-draw", "battery-charge"})
"""Rules of the power plan about what was measured."""


def anchor(place: str) -> str:
    """The id of the element of a place: A1.3 stands at at-A1-3."""
    return f"at-{place.replace('.', '-')}"


def entry_anchor(line: str) -> str:
    """The id of the element of a line of an entry list, by channel and setting: "P1.L3-level"."""
    return f"entry-{line.replace('.', '-')}"


def spot_id(position: str) -> str:
    return f"spot-{position}"


def address(plan: doc.Plan, number: int, finding: Finding, section: str) -> str:
    """Address of the row a finding speaks of first, with the group of columns it is about."""
    first = finding.where[0] if finding.where else ""
    base = reverse(f"bay_{section}", args=[number])
    if section == "fit":
        return f"{base}#data-{first}"
    if finding.rule == "entered-then-changed":
        return f"{reverse('bay_entry', args=[number])}#list-{first}"
    if finding.rule == "set-beyond-list":
        return f"{reverse('bay_entry', args=[number])}?do=read#beyond-{first}"
    if finding.rule == "read-back-differs":
        return f"{reverse('bay_entry', args=[number])}?do=read#{entry_anchor(finding.where[1])}"
    if section in {"before", "after"}:
        return f"{base}#{first}"
    if section == "channels" and any(device.id == first for device in plan.devices):
        return f"{base}?show=speakers#on-{first}"
    if finding.rule in _READING_RULES:
        return f"{reverse('bay_after', args=[number])}#readings"
    if section == "power":
        known = any(run.id == first for run in plan.runs)
        return f"{base}#{anchor(first)}" if known else f"{base}#add-run"
    if section == "channels":
        group = _GROUP_OF_RULE.get(finding.rule, "speakers")
        speaker = next((one for one in plan.speakers if one.id == first), None)
        if speaker is not None:
            return f"{base}#{spot_id(speaker.position)}"
        return f"{base}?show={group}#{anchor(first)}"
    if section == "tuning":
        first = next((one.id for one in plan.channels if first in one.speakers), first)
    return f"{base}#{anchor(first)}" if first else base
