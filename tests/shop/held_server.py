"""A server whose application answers when it is let: test_server.py starts it.

`/held` waits until the named pipe of the first argument is written to, `/pid` names the process,
`/scheme` tells how and from where it was asked.
"""

import os
import socket
import sys
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

from shop.server.serving import run


def application(environ: dict[str, Any], start_response: Callable[..., Any]) -> Iterable[bytes]:
    """Answer as the path says."""
    if environ["PATH_INFO"] == "/held":
        answer = Path(sys.argv[1]).read_bytes()
    elif environ["PATH_INFO"] == "/scheme":
        answer = f"{environ['wsgi.url_scheme']} {environ['REMOTE_ADDR']}".encode()
    else:
        answer = str(os.getpid()).encode()
    start_response("200 OK", [("Content-Length", str(len(answer)))])
    return [answer]


def load() -> Any:
    """The application; with a second argument it cannot be loaded."""
    if len(sys.argv) > 2:
        raise RuntimeError(sys.argv[2])
    return application


if __name__ == "__main__":
    listener = socket.create_server(("127.0.0.1", 0))
    print(listener.getsockname()[1], flush=True)
    sys.exit(run(load, listener, workers=2, threads=4, proxy="127.0.0.1", look_s=0.5))
