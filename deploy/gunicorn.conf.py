"""The production server's settings. HOST, PORT, WORKERS and THREADS may be set.

Workers use the cores; threads hold uploads that arrive slowly over a weak network.
"""

import os
from typing import Any

bind = f"{os.environ.get('HOST', '0.0.0.0')}:{os.environ.get('PORT', '8000')}"
workers = int(os.environ.get("WORKERS") or len(os.sched_getaffinity(0)))
threads = int(os.environ.get("THREADS") or 8)
worker_class = "gthread"
timeout = 60
graceful_timeout = 10
keepalive = 15
loglevel = "warning"
control_socket_disable = True


def post_fork(server: Any, worker: Any) -> None:
    """Ctrl-C reaches the parent alone: a worker signalled twice can hang while it stops."""
    os.setpgid(0, 0)
