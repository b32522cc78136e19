"""Saves as a person makes them, each confirmed on a line of its own; test_power_cut.py traces it.

`prepare` makes a shop with a job in the bay; `save` saves into it in a process of its own.
"""

import io
import os
import sys
from typing import Any

import django
from django.core.files.uploadedfile import SimpleUploadedFile


def _prepare() -> None:
    from django.core.management import call_command

    call_command("migrate", interactive=False, verbosity=0)
    from tests.jobs.workshop import Workshop

    Workshop().job()


def _picture(colour: str) -> SimpleUploadedFile:
    from PIL import Image

    out = io.BytesIO()
    Image.new("RGB", (1200, 900), colour).save(out, "JPEG")
    return SimpleUploadedFile("photo.jpg", out.getvalue(), "image/jpeg")


def _save() -> None:
    from django.test import Client
    from django.urls import reverse

    from jobs.models import Job
    from shop.models import StaffMember

    job = Job.objects.get()
    client = Client(headers={"HX-Request": "true", "Loombook-Photo": "1"})
    client.force_login(StaffMember.objects.get(is_technician=True))

    def confirm(name: str, url: str, fields: dict[str, Any]) -> None:
        answer = client.post(url, fields)
        assert answer.status_code in {200, 201, 204}, (name, answer.status_code, answer.content)
        os.write(1, f"confirmed {name}\n".encode())

    channels = list(job.channels.filter(kind="amplifier"))
    for number, channel in enumerate(channels, 1):
        url = reverse("bay_wire_save", args=[job.number, channel.pk])
        fields = {"version": channel.version, "connector": f"P {number}", "key": f"device_{number}"}
        confirm(f"connector P {number}", url, fields)
    url = reverse("photo_list", args=[job.number])
    for colour in ("teal", "maroon"):
        fields = {"photo": _picture(colour), "subject": "job", "key": f"picture-{colour}"}
        confirm(f"photo picture-{colour}", url, fields)
    guide = SimpleUploadedFile("guide.txt", b"Remove the sill trim first.\n")
    fields = {
        "source": "maker_guide",
        "reference": "Dash, page 4",
        "consulted_on": "2024-05-02",
        "outcome": "fits",
        "guide": guide,
    }
    confirm("guide Dash, page 4", reverse("bay_fit_add", args=[job.number]), fields)


if __name__ == "__main__":
    os.environ["DJANGO_SETTINGS_MODULE"] = "shop.project.settings"
    django.setup()
    {"prepare": _prepare, "save": _save}[sys.argv[1]]()
