"""What the server did and how it stands, in Prometheus' text format, for whatever watches it.

Off unless LOOMBOOK_METRICS_TOKEN is set: who asks must name it. Requests are counted by page and
answer, never by address or person. Several processes count into files of one folder, which
PROMETHEUS_MULTIPROC_DIR names (shop/server/__main__.py makes it); whichever of them is asked
answers for all.
"""

import os
import shutil
from collections.abc import Callable, Iterator
from functools import cache
from typing import TYPE_CHECKING, Any, Final

from django.conf import settings
from django.db import connection
from django.http import HttpRequest, HttpResponse

from shop.backups import age_s

if TYPE_CHECKING:
    from prometheus_client import Histogram
    from prometheus_client.core import GaugeMetricFamily

FOLDER: Final = "PROMETHEUS_MULTIPROC_DIR"
BOUNDS_S: Final = (0.025, 0.05, 0.1, 0.25, 0.5, 1, 2.5, 5, 10)
NO_PAGE: Final = "none"
"""For what is at no address of ours, so that made-up addresses make no new lines."""

Figures = Callable[[], dict[tuple[str, ...], float]]
_more: dict[str, tuple[str, tuple[str, ...], Figures]] = {}


def tell(name: str, what: str, labels: tuple[str, ...], figures: Figures) -> None:
    """Have a gauge told whenever somebody asks: `figures` gives its values by what stands at each
    label, or at the first ones alone. Who adds a label says what bounds its values."""
    _more[name] = what, labels, figures


@cache
def _requests() -> "Histogram":
    from prometheus_client import Histogram

    return Histogram(
        "loombook_request_seconds",
        "Requests answered, by page and status, and how long they took",
        ["page", "method", "status"],
        buckets=BOUNDS_S,
    )


def count(request: HttpRequest, response: HttpResponse, seconds: float) -> None:
    """Take note of an answer."""
    if settings.METRICS_TOKEN:
        page = (request.resolver_match and request.resolver_match.url_name) or NO_PAGE
        method = request.method if request.method in {"GET", "HEAD", "POST"} else "other"
        _requests().labels(page, method, str(response.status_code)).observe(seconds)


class _Standing:
    """How the machine and the book stand at the moment of asking."""

    def collect(self) -> "Iterator[GaugeMetricFamily]":
        """One gauge after another; what cannot be told is left out, and missed by who watches."""
        from prometheus_client.core import GaugeMetricFamily

        disk = shutil.disk_usage(settings.DATA_DIR)
        plain = {
            "loombook_disk_free_bytes": ("Free where the data folder is", float(disk.free)),
            "loombook_disk_bytes": ("Size of the disk where the data folder is", float(disk.total)),
            "loombook_database_bytes": ("Size of the database", _database_bytes()),
        }
        for name, (what, value) in plain.items():
            yield GaugeMetricFamily(name, what, value=value)
        if (age := age_s()) is not None:
            yield GaugeMetricFamily(
                "loombook_backup_age_seconds", "Since the newest backup was made", value=age
            )
        for name, (what, labels, figures) in _more.items():
            told = figures()
            gauge = GaugeMetricFamily(name, what, labels=labels[: max(map(len, told), default=1)])
            for of, value in told.items():
                gauge.add_metric(of, value)
            yield gauge


def _database_bytes() -> float:
    asked = {
        "sqlite": "SELECT page_count * page_size FROM pragma_page_count, pragma_page_size",
        "postgresql": "SELECT pg_database_size(current_database())",
    }
    with connection.cursor() as cursor:
        cursor.execute(asked[connection.vendor])
        return float(cursor.fetchone()[0])


def text() -> tuple[bytes, str]:
    """Everything there is to tell, and the content type it is in."""
    from prometheus_client import CONTENT_TYPE_LATEST, REGISTRY, CollectorRegistry, generate_latest
    from prometheus_client.multiprocess import MultiProcessCollector

    counted = REGISTRY
    if FOLDER in os.environ:
        counted = CollectorRegistry()
        untyped: Any = MultiProcessCollector
        untyped(counted)
    standing = CollectorRegistry()
    standing.register(_Standing())
    return generate_latest(counted) + generate_latest(standing), CONTENT_TYPE_LATEST
