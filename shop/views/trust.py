"""How a tablet comes to trust this shop's own certificate, so that it works without a network."""

from pathlib import Path
from typing import Final

from cryptography import x509
from cryptography.hazmat.primitives.serialization import Encoding
from django.conf import settings
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.utils.translation import gettext
from django.views.decorators.http import require_safe

from shop.access import public
from shop.http import Request
from shop.server.certificates import AUTHORITY, fingerprint

MEDIA_TYPE: Final = "application/x-x509-ca-cert"


def _authority() -> x509.Certificate | None:
    path = Path(settings.DATA_DIR) / "tls" / AUTHORITY
    if not settings.TLS_PORT or not path.exists():
        return None
    return x509.load_pem_x509_certificate(path.read_bytes())


def _same_over_tls(request: HttpRequest) -> str:
    """The address of this book over TLS, as this device would reach it."""
    host = request.get_host()
    name = host if host.endswith("]") else host.rsplit(":", 1)[0]
    return f"https://{name}:{settings.TLS_PORT}{reverse('home')}"


@public
@require_safe
def trust(request: Request) -> HttpResponse:
    """Three steps from a plain address to one that opens without a network."""
    authority = _authority()
    context = {
        "authority": authority and authority.subject.rfc4514_string().removeprefix("CN="),
        "fingerprint": authority and fingerprint(authority),
        "address": authority and _same_over_tls(request),
        "is_secure": request.is_secure(),
    }
    return render(request, "tablets/trust.html", context)


@public
@require_safe
def trust_certificate(request: Request) -> HttpResponse:
    """The authority's certificate, as devices take it in."""
    authority = _authority()
    if authority is None:
        raise Http404(gettext("No certificate was made on this machine."))
    answer = HttpResponse(authority.public_bytes(Encoding.DER), content_type=MEDIA_TYPE)
    answer["Content-Disposition"] = 'attachment; filename="loombook.crt"'
    return answer
