"""`make soak`: thirty tablets for ten minutes (SOAK_MINUTES), and what was lost: nothing.

Real processes on loopback: two nodes of the production server over one PostgreSQL and one store,
the tablets going from one node to the other. Meanwhile one thing after another is killed, filled
or put wrong (tests/soak/faults.py). An entry is sent with its key until a node confirms it, as the
tablet's outbox does; afterwards each confirmed one is looked for in the book and in the store.
"""

import io
import os
import shutil
import sys
import tempfile
import threading
import time
from collections import Counter
from pathlib import Path
from typing import Any

from tests.soak.faults import FAULTS, World
from tests.soak.tablets import Tablet
from tests.soak.world import Database, Node, Store

TABLETS = 30
PACE_S = 1.0
LAST_S = 20.0
"""After the last fault everybody works undisturbed for so long."""
PEOPLE = ("piers", "wanda", "idris")


def _book(folder: Path) -> None:
    """The demo shop in the new database, and an empty bucket."""
    import django

    django.setup()
    from django.core.files.storage import default_storage
    from django.core.management import call_command

    from deploy.demo.loader import Loader

    kept: Any = default_storage
    for _ in range(50):
        try:
            kept.connection.create_bucket(Bucket="shop-files")
            break
        except Exception:  # it is still starting
            time.sleep(0.2)
    call_command("migrate", interactive=False, verbosity=0)
    call_command("collectstatic", interactive=False, verbosity=0)
    Loader(lambda text: None).load()


def _picture() -> bytes:
    from PIL import Image

    out = io.BytesIO()
    Image.effect_noise((640, 480), 60).convert("RGB").save(out, "JPEG")
    return out.getvalue()


def _tablets(nodes: list[Node]) -> list[Tablet]:
    from django.test import Client
    from django.urls import reverse

    from jobs.lifecycle import SHEET_OPEN
    from jobs.models import Channel, JobEvent
    from shop.models import StaffMember

    newest = JobEvent.objects.order_by("-pk")[0].pk
    rows = Channel.objects.filter(job__stage__in=SHEET_OPEN).select_related("job")[:TABLETS]
    tablets = []
    for place, row in enumerate(rows):
        client = Client()
        client.force_login(StaffMember.objects.get(username=PEOPLE[place % len(PEOPLE)]))
        ports = [one.port for one in nodes]
        ports = ports[place % 2 :] + ports[: place % 2]
        url = reverse("bay_wire_save", args=[row.job.number, row.pk])
        session = client.cookies["sessionid"].value
        tablets.append(
            Tablet(ports, session, url, str(row.job.number), row.version, newest, _picture())
        )
    return tablets


def _counted(tablets: list[Tablet]) -> tuple[int, int, int]:
    """How many confirmed writes are found once, more than once, and not at all."""
    from django.core.files.storage import default_storage
    from django.db.models import Count

    from jobs.models import Channel, JobEvent, Photo

    found: Counter[str] = Counter()
    prefixes = [one.device for one in tablets]
    for device in prefixes:
        for model in (JobEvent, Photo):
            if model is JobEvent:
                rows = JobEvent.objects.filter(key__startswith=f"{device}_")
            else:
                rows = Photo.objects.filter(key__startswith=f"{device}_")
            found.update(dict(rows.values_list("key").annotate(Count("pk"))))
    once = doubled = lost = 0
    for tablet in tablets:
        for entry in (*tablet.confirmed, *tablet.photos):
            times = found[entry.key]
            once, doubled, lost = once + (times == 1), doubled + (times > 1), lost + (times < 1)
        row = Channel.objects.get(pk=int(tablet.save_url.rstrip("/").split("/")[-2]))
        last = tablet.confirmed[-1].value if tablet.confirmed else row.connector
        allowed = {last, tablet.open.value if tablet.open else last}
        lost += row.connector not in allowed
    for photo in Photo.objects.filter(key__in=list(found)):
        for file in (photo.file, photo.thumbnail):
            lost += not default_storage.exists(str(file.name))
    return once, doubled, lost


def _report(tablets: list[Tablet], minutes: float) -> int:
    from django.core.management import CommandError, call_command
    from django.db import connections

    connections.close_all()  # Its server was killed in the meantime.
    once, doubled, lost = _counted(tablets)
    entries = [entry for one in tablets for entry in (*one.confirmed, *one.photos)]
    seen: Counter[str] = sum((one.seen for one in tablets), Counter())
    refused = [said for one in tablets for said in one.refused]
    signed_out = sum(seen[one] for one in ("302", "401", "403"))
    waits = sorted(entry.wait_s for entry in entries)
    photos = sum(len(one.photos) for one in tablets)
    print(f"\n{len(tablets)} tablets, {minutes:g} minutes, {len(os.sched_getaffinity(0))} cores")
    print(f"  writes confirmed   {len(entries)} ({photos} of them photos)")
    print(f"  found once         {once}")
    print(f"  doubled            {doubled}")
    print(f"  lost               {lost}")
    print(f"  sent again         {sum(entry.sent - 1 for entry in entries)}")
    print(f"  people signed out  {signed_out}")
    print(f"  answers            {dict(sorted(seen.items()))}  (none: no answer at all)")
    print(
        f"  wait for a write   half {waits[len(waits) // 2]:.2f} s, "
        f"95 of 100 {waits[len(waits) * 95 // 100]:.2f} s, longest {waits[-1]:.1f} s"
    )
    print(f"  longest answer     {max(one.answer_s for one in tablets):.1f} s")
    for said, times in Counter(refused).most_common(5):
        print(f"  refused {times} x {said}")
    wrong = 0
    for check in ("check_record", "check_log"):
        try:
            call_command(check)
        except CommandError as error:
            print(error)
            wrong = 1
    return int(bool(wrong or doubled or lost or signed_out or refused or once != len(entries)))


def _shift(tablets: list[Tablet], world: World, minutes: float) -> None:
    """Everybody works; the faults are spread over the time there is."""
    threads = [
        threading.Thread(target=one.work, args=(world.stop, PACE_S), daemon=True) for one in tablets
    ]
    began = time.monotonic()
    for one in threads:
        one.start()
    apart = max(2.0, (minutes * 60 - LAST_S) / len(FAULTS))
    for place, fault in enumerate(FAULTS):
        world.pause(began + apart * (place + 0.3) - time.monotonic())
        at = time.monotonic() - began
        print(f"  {at:5.0f} s  {fault.__name__.replace('_', ' '):16} {fault(world)}", flush=True)
    world.pause(max(LAST_S, began + minutes * 60 - time.monotonic()))
    world.stop.set()
    for one in threads:
        one.join(70)


def main() -> int:
    minutes = float(os.environ.get("SOAK_MINUTES") or 10)
    folder = Path(tempfile.mkdtemp(prefix="loombook-soak-"))
    database, store = Database(folder), Store()
    nodes: list[Node] = []
    os.environ |= {
        "DJANGO_SETTINGS_MODULE": "shop.project.settings",
        "LOOMBOOK_DATA": str(folder / "keys"),
        "LOOMBOOK_SECRET": "the-same-on-every-node-of-this-shift-0123456789-abcdef",
        "DATABASE_URL": database.url,
        "LOOMBOOK_FILES": store.url,
        "AWS_ACCESS_KEY_ID": "key-of-the-shop",
        "AWS_SECRET_ACCESS_KEY": "secret-of-the-shop",
    }
    status = 1
    try:
        _book(folder)
        for name in ("west", "east"):
            nodes.append(Node(name, folder, folder / "keys"))
        world = World(database, store, nodes, threading.Event())
        world.back()
        tablets = _tablets(nodes)
        _shift(tablets, world, minutes)
        status = _report(tablets, minutes)
    finally:
        for node in nodes:
            node.close()
        store.close()
        database.close()
        if status:
            print(f"What the nodes said is kept in {folder}")
        else:
            shutil.rmtree(folder)
    return status


if __name__ == "__main__":
    sys.exit(main())
