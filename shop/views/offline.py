"""What makes the pages an app that opens without a network: manifest, service worker, last page."""

import hashlib
import json
from functools import cache
from pathlib import Path
from typing import Final

from django.conf import settings
from django.http import HttpResponse, JsonResponse
from django.shortcuts import render
from django.templatetags.static import static
from django.urls import reverse
from django.views.decorators.http import require_safe

from shop.access import public
from shop.http import Request
from shop.styles import SHEET

SHELL_FOLDERS: Final = ("js", "img")
SHELL_VENDORED: Final = ("htmx-*.js", "idb-*.js", "signature_pad-*.js")
NOT_SHELL: Final = ("service_worker.js", "app-512.png")


def _shell() -> list[str]:
    """The style sheet, scripts and pictures of the pages, by the address the pages use."""
    root = settings.BASE_DIR / "static"
    names = [
        f"{folder}/{path.name}"
        for folder in SHELL_FOLDERS
        for path in sorted((root / folder).iterdir())
        if path.is_file() and path.name not in NOT_SHELL
    ]
    names.append(SHEET)
    for pattern in SHELL_VENDORED:
        names += [f"vendor/{path.name}" for path in sorted((root / "vendor").glob(pattern))]
    return [static(name) for name in names]


@cache
def _worker() -> str:
    """The worker with its list of files. Another list or program is another version."""
    program = Path(settings.BASE_DIR / "static" / "js" / "service_worker.js").read_text()
    facts = {
        "SHELL": _shell(),
        "STATIC": "/" + settings.STATIC_URL.strip("/") + "/",
        "OFFLINE": reverse("offline"),
    }
    version = hashlib.sha256((json.dumps(facts) + program).encode()).hexdigest()[:12]
    lines = [f"const {name} = {json.dumps(value)};" for name, value in facts.items()]
    return "\n".join([f'const VERSION = "{version}";', *lines, program])


@public
@require_safe
def service_worker(request: Request) -> HttpResponse:
    """The service worker, at the root so that it may serve every page."""
    answer = HttpResponse(_worker(), content_type="text/javascript; charset=utf-8")
    answer["Cache-Control"] = "no-cache"
    return answer


@public
@require_safe
def manifest(request: Request) -> JsonResponse:
    """The web app manifest (W3C Web Application Manifest)."""
    shop = request.shop
    icons = [
        {"src": static("img/app-192.png"), "sizes": "192x192", "type": "image/png"},
        {"src": static("img/app-512.png"), "sizes": "512x512", "type": "image/png"},
        {
            "src": static("img/app-512.png"),
            "sizes": "512x512",
            "type": "image/png",
            "purpose": "maskable",
        },
    ]
    facts = {
        "id": "/",
        "name": f"Loombook · {shop.name}" if shop.name else "Loombook",
        "short_name": "Loombook",
        "description": "The job book of a vehicle sound shop.",
        "lang": "en",
        "start_url": reverse("board"),
        "scope": "/",
        "display": "standalone",
        "background_color": "#f6f1e5",
        "theme_color": "#24312f",
        "icons": icons,
    }
    return JsonResponse(facts, content_type="application/manifest+json")


@public
@require_safe
def offline(request: Request) -> HttpResponse:
    """What a device shows without a network for a page it does not keep."""
    return render(request, "offline.html")
