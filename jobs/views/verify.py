"""Anybody may check a sheet: the page where a PDF is dropped, and the shop's certificate."""

from typing import Final

from asn1crypto import pem
from asn1crypto.x509 import Certificate
from django import forms
from django.http import Http404, HttpResponse
from django.shortcuts import render
from django.utils.text import format_lazy
from django.utils.translation import gettext, gettext_lazy as _
from django.views.decorators.http import require_http_methods, require_safe

from jobs import own_certificates, signing
from jobs.errors import Refused
from jobs.sheet.verify import Answer, verify as verify_pdf
from shop.access import public
from shop.http import Request
from shop.server.arrival import MOST_BYTES_TO_CHECK
from shop.services import sign_in
from shop.wording import moment

MOST_MB: Final = MOST_BYTES_TO_CHECK // 1024 // 1024


class CheckForm(forms.Form):
    """The file to check."""

    pdf = forms.FileField(
        label=_("The PDF"),
        help_text=format_lazy(
            _("At most {size}. The file is compared and not kept."), size=f"{MOST_MB}\u00a0MB"
        ),
        widget=forms.FileInput({"accept": "application/pdf,.pdf"}),
        error_messages={
            "required": _("Choose the PDF first."),
            "empty": _("This file is empty: choose the PDF as it was sent to you."),
        },
    )

    def clean_pdf(self) -> bytes:
        """The bytes of the file."""
        file = self.cleaned_data["pdf"]
        if file.size > MOST_BYTES_TO_CHECK:
            raise forms.ValidationError(
                gettext("This file is larger than %(size)s: no sheet of ours is.")
                % {"size": f"{MOST_MB}\u00a0MB"}
            )
        return bytes(file.read())


def _certificate() -> Certificate | None:
    """The shop's own; None where nothing is signed yet or the key is missing."""
    try:
        return signing.own_certificate()
    except Refused:
        return None


@public
@require_http_methods(["GET", "HEAD", "POST"])
def verify(request: Request) -> HttpResponse:
    """Drop a PDF: ours or not, unchanged or not, the newest or not. Nothing is kept of it."""
    form = CheckForm(request.POST, request.FILES) if request.method == "POST" else CheckForm()
    answer: Answer | None = None
    status = 200
    if form.is_bound:
        try:
            sign_in.count_asked(request, "verify")
        except sign_in.Waiting as waiting:
            form.add_error(
                None,
                gettext("Many files were checked from this address. Try again %(moment)s.")
                % {"moment": moment(waiting.until)},
            )
            status = 429
        if status == 200 and form.is_valid():
            try:
                answer = verify_pdf(form.cleaned_data["pdf"])
            except Refused:
                form.add_error(
                    None,
                    gettext(
                        "The shop cannot check sheets just now: its key is missing. Tell the shop."
                    ),
                )
                status = 409
        elif status == 200:
            status = 422
    certificate = _certificate()
    context = {
        "form": form,
        "answer": answer,
        "fingerprint": certificate and certificate.sha256.hex(" ").upper(),
        "former": own_certificates.exchanged() if certificate else [],
    }
    return render(request, "verify/page.html", context, status=status)


@public
@require_safe
def verify_certificate(request: Request) -> HttpResponse:
    """The certificate with which this shop signs its sheets."""
    certificate = _certificate()
    if certificate is None:
        raise Http404(
            gettext("This shop has signed nothing yet, or its key is missing: ask the shop.")
        )
    data = pem.armor("CERTIFICATE", certificate.dump())
    answer = HttpResponse(data, content_type="application/x-pem-file")
    answer["Content-Disposition"] = 'attachment; filename="sheet-signature.pem"'
    return answer
