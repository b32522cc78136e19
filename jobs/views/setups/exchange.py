"""Setups between shops: one signed file out, one file in, shown before anything is taken."""

from typing import Any

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext

from jobs.errors import Refused
from jobs.models import SavedSetup
from jobs.record_key import KeyLost
from jobs.setups import exchange as exchange
from jobs.signing import shop_key
from shop.access import allow
from shop.http import Request
from shop.roles import Role
from shop.services import sign_in
from shop.typed import whole


@allow(Role.MANAGER, again=True)
def setup_export(request: Request, pk: int) -> HttpResponse:
    """The setup as a signed file for another shop."""
    setup = get_object_or_404(SavedSetup.objects.select_related("vehicle_model"), pk=pk)
    try:
        data = exchange.export_file([setup])
    except Refused as refused:
        messages.error(request, refused.reasons[0])
        return redirect("setup", pk)
    file = f"setup-{pk}-version-{setup.version}.json"
    sign_in.log_export(request, file)
    answer = HttpResponse(data, content_type="application/json")
    answer["Content-Disposition"] = f'attachment; filename="{file}"'
    return answer


def _own_fingerprint(request: Request) -> str:
    key = shop_key(request.shop.name)
    return exchange.Sender("", key.certificate.sha256.hex(), True).told_fingerprint


@allow(Role.MANAGER)
def setup_import(request: Request) -> HttpResponse:
    """Choose a file; see what is in it; take chosen setups in as drafts."""
    try:
        context: dict[str, Any] = {"fingerprint": _own_fingerprint(request)}
    except KeyLost as lost:
        messages.error(request, lost.reasons[0])
        return redirect("setup_list")
    if request.method != "POST":
        return render(request, "setups/import.html", context)
    upload = request.FILES.get("file")
    if upload is not None:
        data = upload.read(exchange.MOST_BYTES + 1)
    else:
        data = request.POST.get("content", "").encode("utf-8", "replace")
    try:
        if not data:
            raise Refused(gettext("Choose the file that the other shop sent."))
        if "take" in request.POST:
            places = [place for text in request.POST.getlist("setup") if (place := whole(text))]
            imported = exchange.import_file(data, places, request.user)
            for one in imported:
                messages.success(
                    request, gettext("“%(one)s” is taken in as a draft.") % {"one": one.name}
                )
            return redirect("setup", imported[0].pk)
        letter = exchange.read_file(data)
    except Refused as refused:
        context["refused"] = refused.reasons
        return render(request, "setups/import.html", context, status=422)
    context |= {"letter": letter, "content": data.decode("utf-8-sig")}
    return render(request, "setups/import.html", context)
