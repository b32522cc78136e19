"""The socket that is served. Under systemd it outlives a restart: who comes meanwhile waits in it.

The unit has `FileDescriptorStoreMax=1`: what is given to systemd there is handed to the next
process of the same unit (sd_notify(3) FDSTORE, sd_listen_fds(3), systemd 252).
"""

import os
import socket
from typing import Final

FIRST: Final = 3
"""The number of the first descriptor that systemd hands over, SD_LISTEN_FDS_START."""
BACKLOG: Final = 1024
NAME: Final = "served"


def listening(host: str, port: int) -> socket.socket:
    """A socket on that address: the one that was kept, or a new one, which is then kept.

    OSError: the address cannot be had.
    """
    kept = _kept()
    if kept is not None:
        if kept.getsockname()[:2] == (host, port):
            return kept
        _tell(f"FDSTOREREMOVE=1\nFDNAME={NAME}")
        kept.close()
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    made = socket.create_server((host, port), family=family, backlog=BACKLOG)
    _tell(f"FDSTORE=1\nFDNAME={NAME}", made)
    return made


def _kept() -> socket.socket | None:
    ours = os.environ.pop("LISTEN_PID", "") == str(os.getpid())
    given = int(os.environ.pop("LISTEN_FDS", "") or 0)
    if not ours or given != 1:
        return None
    os.set_inheritable(FIRST, False)
    return socket.socket(fileno=FIRST)


def _tell(state: str, handed: socket.socket | None = None) -> None:
    """Say it to systemd, with a descriptor; where nobody listens, to nobody."""
    where = os.environ.get("NOTIFY_SOCKET", "")
    if not where:
        return
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as told:
        told.connect("\0" + where[1:] if where.startswith("@") else where)
        socket.send_fds(told, [state.encode()], [handed.fileno()] if handed else [])
