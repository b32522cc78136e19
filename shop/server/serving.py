"""An application on one socket by several processes, each with a loop and threads."""

import logging
import resource
import socket
from collections.abc import Callable
from typing import Any, Final

from waitress import wasyncore

from shop.server.arrival import Server
from shop.server.workers import LOOK_S, Pulse, Workers, obey

MOST_CONNECTIONS: Final = 1000
HANDLES_A_CONNECTION: Final = 3
HANDLES_OF_OUR_OWN: Final = 100


class Orphaned(wasyncore.file_dispatcher):
    """Stops a worker whose parent is gone: its end of their pipe closes."""

    def __init__(self, pulse: Pulse, server: Server) -> None:
        super().__init__(pulse.parent, map=server.socket_map)
        self.server = server

    def writable(self) -> bool:
        """Nothing is ever written."""
        return False

    def handle_read(self) -> None:
        """The pipe is readable when it is closed."""
        self.close()
        self.server.stop()

    handle_close = handle_read


def _connections() -> int:
    """How many connections one process holds, each with a file coming in and one going out."""
    wanted = MOST_CONNECTIONS * HANDLES_A_CONNECTION + HANDLES_OF_OUR_OWN
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    if soft < wanted:
        soft = wanted if hard == resource.RLIM_INFINITY else min(wanted, hard)
        resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))
    return min(MOST_CONNECTIONS, max(50, (soft - HANDLES_OF_OUR_OWN) // HANDLES_A_CONNECTION))


def run(
    load: Callable[[], Any],
    listener: socket.socket,
    *,
    workers: int,
    threads: int,
    proxy: str,
    look_s: float = LOOK_S,
) -> int:
    """Serve what `load` gives, loaded by each process for itself; gives the exit status."""
    most = _connections()
    logging.getLogger("waitress.queue").setLevel(logging.ERROR)

    def work(pulse: Pulse) -> None:
        told: list[bool] = []
        obey(lambda: told.append(True))
        server = Server(load(), listener, threads=threads, proxy=proxy, most=most, pulse=pulse)
        Orphaned(pulse, server)
        obey(server.stop)
        if not told:
            server.serve()

    return Workers(listener, workers, work, look_s).run()
