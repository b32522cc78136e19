"""Serve the shop. From the environment:

HOST, PORT   where to listen (default: 0.0.0.0, 8000)
WORKERS      processes (default: one a core)
THREADS      requests that one process serves at once (default: 8)
PROXY        the address of a proxy whose X-Forwarded headers are believed (default: 127.0.0.1)
"""

import os
import sys
from tempfile import TemporaryDirectory
from typing import Any

from shop.server.listening import listening
from shop.server.serving import run


def _application() -> Any:
    from shop.project.wsgi import application

    return application


def main() -> int:
    """The parent of the workers."""
    # Where the processes put what they count (shop/metrics.py), before any of them is made.
    with TemporaryDirectory(prefix="loombook-metrics-") as counted:
        os.environ.setdefault("PROMETHEUS_MULTIPROC_DIR", counted)
        return _serve()


def _serve() -> int:
    return run(
        _application,
        listening(os.environ.get("HOST") or "0.0.0.0", int(os.environ.get("PORT") or 8000)),
        workers=int(os.environ.get("WORKERS") or len(os.sched_getaffinity(0))),
        threads=int(os.environ.get("THREADS") or 8),
        proxy=os.environ.get("PROXY") or "127.0.0.1",
    )


if __name__ == "__main__":
    sys.exit(main())
