"""Every finding of the sheet, the worst first, and the reasons why cautions may stand."""

from typing import Any, NamedTuple

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect
from django.template.loader import render_to_string
from django.utils.translation import gettext, ngettext
from django.views.decorators.http import require_POST, require_safe

from jobs.errors import Refused
from jobs.plan.power import Finding, finding_id, section_of
from jobs.setups.brought import Suggestion, suggested_reasons
from jobs.sheet import sign_off
from jobs.views.bay import answers
from jobs.views.bay.bay_sheet import SECTIONS, BaySheet, actor
from shop.access import allow, allow_any_staff
from shop.http import Request
from shop.roles import BENCH
from shop.typed import token
from shop.wording import plural

_LABELS = {section.id: section.label for section in SECTIONS}


def _entry(
    sheet: BaySheet, finding: Finding, suggested: dict[str, Suggestion] | None = None
) -> dict[str, Any]:
    return {
        "finding": finding,
        "id": finding_id(finding.fingerprint),
        "link": sheet.link_to(finding),
        "section": _LABELS[section_of(finding)],
        "reason": sheet.reasons.get(finding.fingerprint),
        "suggested": (suggested or {}).get(finding.fingerprint),
    }


class Alike(NamedTuple):
    """Findings that one and the same thing puts right, in one section: the order is kept.

    `reason` is what all of them were given, empty where they differ or some have none.
    """

    severity: str
    what_to_do: str
    entries: list[dict[str, Any]]
    reason: str

    @property
    def link(self) -> str:
        """Where the first of them is put right."""
        return str(self.entries[0]["link"])


def _alike(entries: list[dict[str, Any]]) -> list[Alike]:
    groups: dict[tuple[str, str, str], list[dict[str, Any]]] = {}
    for entry in entries:
        finding = entry["finding"]
        groups.setdefault((finding.severity, entry["section"], finding.what_to_do), []).append(
            entry
        )
    made = []
    for (severity, _, what_to_do), those in groups.items():
        given = {entry["reason"].reason if entry["reason"] else "" for entry in those}
        made.append(Alike(severity, what_to_do, those, given.pop() if len(given) == 1 else ""))
    return made


@allow_any_staff
@require_safe
def findings(request: Request, number: int) -> HttpResponse:
    sheet = BaySheet.of(request, number, "findings")
    place = request.GET.get("at", "")
    here = [f for f in sheet.findings if not place or place in f.where]
    suggested = suggested_reasons(sheet.job, here) if sheet.can_edit else {}
    entries = [_entry(sheet, finding, suggested) for finding in here]
    if request.htmx:
        return answers.dialog(
            request, sheet, "bay/findings_here.html", {"entries": entries, "place": place}
        )
    return answers.page(
        request,
        sheet,
        "bay/findings.html",
        entries=entries,
        groups=_alike(entries),
        place=place,
        suggested=len(suggested),
        hidden=len(sheet.findings) - len(here),
        stops=sum(f.severity == "stop" for f in sheet.findings),
        unreasoned=sum(f.severity == "caution" for f in sheet.open_findings),
    )


@allow(*BENCH)
@require_POST
def take_reasons(request: Request, number: int) -> HttpResponse:
    """Give each caution the reason that stands beside it, or all of them the one that was written;
    the person who taps answers for them."""
    sheet = BaySheet.of(request, number, "findings")
    wanted = set(request.POST.getlist("fingerprint"))
    if "reason" in request.POST:
        return _one_reason(request, sheet, wanted, request.POST["reason"])
    suggested = suggested_reasons(sheet.job, sheet.findings)
    taken = 0
    try:
        for fingerprint, one in suggested.items():
            if fingerprint in wanted:
                sign_off.give_reason(sheet.job.pk, fingerprint, one.reason, actor(request))
                taken += 1
    except Refused as refused:
        for line in refused.reasons:
            messages.error(request, line)
    if taken:
        said = ngettext(
            "%(count)s reason taken over. Read it: you answer for it on this car.",
            "%(count)s reasons taken over. Read each: you answer for them on this car.",
            taken,
        )
        messages.success(request, said % {"count": taken})
    return redirect("bay_findings", number)


def _one_reason(request: Request, sheet: BaySheet, wanted: set[str], reason: str) -> HttpResponse:
    try:
        key = token(request.POST.get("key"))
        given = sign_off.give_one_reason(sheet.job.pk, wanted, reason, actor(request), key)
    except Refused as refused:
        for line in refused.reasons:
            messages.error(request, line)
    else:
        done = "has this reason" if reason.strip() else "has its reason taken back"
        many = "have this reason" if reason.strip() else "have their reasons taken back"
        if given:
            said = plural(given, f"caution {done}", f"cautions {many}")
            messages.success(request, gettext("%(said)s now.") % {"said": said})
    return redirect("bay_findings", sheet.number)


@allow(*BENCH)
@require_POST
def reason(request: Request, number: int) -> HttpResponse:
    """Give, change or take back the reason of one caution."""
    sheet = BaySheet.of(request, number, "findings")
    fingerprint = request.POST.get("fingerprint", "")
    try:
        sign_off.give_reason(
            sheet.job.pk,
            fingerprint,
            request.POST.get("reason", ""),
            actor(request),
            token(request.POST.get("key")),
        )
    except Refused as refused:
        return answers.refused(request, number, "findings", refused)
    fresh = BaySheet.of(request, number, "findings")
    finding = next((f for f in fresh.findings if f.fingerprint == fingerprint), None)
    html = ""
    if finding is not None:
        context = {"sheet": fresh, "entry": _entry(fresh, finding)}
        html = render_to_string("bay/finding.html", context)
    return answers.done(request, number, "findings", gettext("Reason kept."), html=html)
