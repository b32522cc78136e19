"""Reads one picture in several threads at once; says in JSON what became of them and the memory."""

import io
import json
import os
import resource
import sys
import threading
from pathlib import Path

import django
from PIL import Image


def _now_mb() -> float:
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * resource.getpagesize() / 1e6


def _peak_mb() -> float:
    """From /proc: a child's ru_maxrss begins at that of the process it was forked from."""
    [line] = [
        line for line in Path("/proc/self/status").read_text().splitlines() if "VmHWM" in line
    ]
    return int(line.split()[1]) * 1024 / 1e6


def main() -> None:
    from jobs.errors import Busy
    from jobs.photos.files import read_picture

    data = Path(sys.argv[1]).read_bytes()
    outcomes: list[str] = []

    def read() -> None:
        try:
            read_picture(io.BytesIO(data), len(data))
            outcomes.append("kept")
        except Busy:
            outcomes.append("busy")

    small = io.BytesIO()
    Image.new("RGB", (8, 8)).save(small, "JPEG")
    # What reads pictures is loaded with the first one and stays: some 60 MB that are no picture.
    read_picture(io.BytesIO(small.getvalue()), len(small.getvalue()))
    before_mb = _now_mb()
    threads = [threading.Thread(target=read) for _ in range(int(sys.argv[2]))]
    for one in threads:
        one.start()
    for one in threads:
        one.join()
    told = {name: outcomes.count(name) for name in ("kept", "busy")}
    memory = {"peak_mb": _peak_mb() - before_mb, "left_mb": _now_mb() - before_mb}
    print(json.dumps(told | memory))


if __name__ == "__main__":
    os.environ["DJANGO_SETTINGS_MODULE"] = "shop.project.settings"
    django.setup()
    main()
