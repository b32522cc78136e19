"""Setups between shops: what goes out comes in the same, and nothing hostile comes in at all."""

import base64
import copy
import gzip
import json
import zipfile
from collections.abc import Callable, Iterator
from io import BytesIO
from typing import Any

import pytest
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import padding
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import transaction
from django.test import Client
from hypothesis import HealthCheck, given, settings, strategies as st
from jsonschema import Draft202012Validator
from PIL import Image

from jobs.errors import Refused
from jobs.models import Job, SavedSetup, SetupState, SetupVersion
from jobs.plan.document import plan_of
from jobs.setups import document as setup_document, exchange as setup_exchange
from jobs.setups.apply import apply_setup, preview
from jobs.setups.checks import check_sense
from jobs.setups.document import SetupError
from jobs.setups.exchange import export_file, import_file, read_file
from jobs.setups.library import create_setup, keep
from jobs.sheet.document import canonical
from jobs.signing import shop_key
from shop.models import Shop, VehicleModel
from tests.factories import make_photo
from tests.jobs.test_setup_versions import FIRST
from tests.jobs.workshop import Workshop
from wiring.plan import Plan

pytestmark = [pytest.mark.django_db, pytest.mark.once]


@pytest.fixture
def workshop() -> Workshop:
    return Workshop()


@pytest.fixture
def setup(workshop: Workshop) -> SavedSetup:
    job = workshop.job()
    workshop.wire(job)
    workshop.prove(job)
    channel = job.channels.get(number=1)
    make_photo(job, workshop.technician, subject=f"channel:{channel.pk}", caption="Door plug")
    job.stage = "ready_for_review"
    job.save()
    return create_setup(workshop.sign(job).pk, "Four channels", "Clip first", workshop.manager)


def take_all(setup: SavedSetup, job: Job, workshop: Workshop) -> Plan:
    """Take everything of a setup over and give the job's plan."""
    found = preview(setup, job)
    apply_setup(
        job.number,
        setup.pk,
        {item.key for item in found.open_items},
        found.token,
        workshop.technician,
    )
    return plan_of(Job.objects.get(pk=job.pk))


class Undo(Exception):
    """Takes back what one example wrote."""


level = st.floats(-60, 12).map(lambda value: round(value, 2))
colour = st.sampled_from(("GN", "VT", "BU", "BK", "GNYE", "WH", ""))


@settings(max_examples=6, deadline=None, suppress_health_check=list(HealthCheck))
@given(
    levels=st.lists(level, min_size=4, max_size=4),
    colours=st.lists(colour, min_size=4, max_size=4),
    delay=st.floats(0, 20).map(lambda value: round(value, 3)),
    note=st.text(st.characters(codec="utf-8", categories=("L", "N", "Zs")), max_size=40),
)
def test_apply_export_import_apply_gives_the_same_plan(
    setup: SavedSetup,
    workshop: Workshop,
    levels: list[float],
    colours: list[str],
    delay: float,
    note: str,
) -> None:
    try:
        with transaction.atomic():
            document = json.loads(json.dumps(setup.document))
            for place, channel in enumerate(document["plan"]["channels"]):
                channel["setting"]["level_db"] = levels[place]
                channel["setting"]["delay_ms"] = delay
                channel["wire"]["positive"]["base"] = colours[place]
                channel["note"] = note
            document = setup_document.checked(document)
            own = keep(setup.vehicle_model, "Own", note, document, workshop.manager)
            first = take_all(own, workshop.job(setup.vehicle_model), workshop)
            (foreign,) = import_file(export_file([own]), [1], workshop.manager)
            second = take_all(foreign, workshop.job(setup.vehicle_model), workshop)
            assert second == first
            assert foreign.state == SetupState.DRAFT
            assert foreign.note == note.strip()
            raise Undo
    except Undo:
        pass


def test_a_file_carries_its_schema_and_fits_it(setup: SavedSetup) -> None:
    found = json.loads(export_file([setup]))
    Draft202012Validator.check_schema(found["schema"])
    document = found["setups"][0]["document"]
    Draft202012Validator(found["schema"]).validate(document)
    text = json.dumps(found["setups"])
    assert setup.from_sheet is not None
    assert setup.from_sheet.job.customer.name not in text
    assert "WF-20418" not in text
    assert base64.b64decode(document["photos"][0]["thumbnail"]).startswith(b"\xff\xd8")


def test_a_setup_of_an_unknown_model_brings_its_model(
    setup: SavedSetup, workshop: Workshop
) -> None:
    data = export_file([setup])
    VehicleModel.objects.filter(pk=setup.vehicle_model_id).update(make="Other")
    letter = read_file(data)
    assert letter.setups[0].model is None
    assert letter.sender.own
    (made,) = import_file(data, [1], workshop.manager)
    assert made.vehicle_model.make == "Corvane"
    assert made.vehicle_model_id != setup.vehicle_model_id
    (again,) = import_file(data, [1], workshop.manager)
    assert read_file(data).setups[0].known
    assert again.name == "Four channels (2)"
    with pytest.raises(Refused, match="at least one"):
        import_file(data, [], workshop.manager)
    with pytest.raises(Refused, match="by a manager"):
        import_file(data, [1], workshop.technician)


Twist = Callable[[dict[str, Any]], None]


def signed(data: bytes, twist: Twist) -> bytes:
    """The file as a dishonest shop would sign it: changed, with a signature that fits."""
    found = json.loads(data)
    twist(found)
    del found["signature"]
    key = shop_key(Shop.objects.current().name)
    made = key.private.sign(canonical(found), padding.PKCS1v15(), hashes.SHA256())
    found["signature"] = base64.b64encode(made).decode()
    return json.dumps(found).encode()


def plan_of_file(found: dict[str, Any]) -> dict[str, Any]:
    plan: dict[str, Any] = found["setups"][0]["document"]["plan"]
    return plan


def put(*path: Any, value: Any) -> Twist:
    """A twist that puts a value deep into the file's first document."""

    def twist(found: dict[str, Any]) -> None:
        at = found["setups"][0]["document"]
        for step in path[:-1]:
            at = at[step]
        at[path[-1]] = value

    return twist


def picture(side: int) -> str:
    out = BytesIO()
    Image.new("L", (side, side)).save(out, "JPEG", quality=1)
    return base64.b64encode(out.getvalue()).decode()


DISHONEST: dict[str, tuple[Twist, str]] = {
    "version of tomorrow": (put("setup_version", value=99), "this program reads"),
    "no version": (put("setup_version", value=None), "this program reads"),
    "unknown field": (put("plan", "runs", 0, "length_ft", value=6.5), "unknown field `length_ft`"),
    "unknown unit": (put("plan", "runs", 0, "conductor", "size", value="16 rods"), "no known size"),
    "unknown fuse": (put("plan", "runs", 0, "fuse", "body", value="nail"), "nail"),
    "unknown place": (put("plan", "speakers", 0, "position", value="moon"), "unknown position"),
    "unknown colour": (
        put("plan", "channels", 0, "wire", "positive", "base", value="ZZ"),
        "unknown colour",
    ),
    "number too large": (put("plan", "speakers", 0, "impedance_ohm", value=1e6), "schema"),
    "number below": (put("plan", "runs", 0, "length_m", value=-1), "schema"),
    "text for a number": (put("plan", "runs", 0, "length_m", value="2"), "schema"),
    "speaker from nowhere": (put("plan", "channels", 0, "speakers", value=["SP99"]), "SP99"),
    "device from nowhere": (put("plan", "channels", 0, "device", value="A9"), "A9"),
    "name too long": (put("products", "A1", "name", value="x" * 500), "schema"),
    "unknown kind": (put("products", "A1", "kind", value="rocket"), "unknown kind"),
    "years upside down": (put("vehicle", "year_to", value=1950), "before its first"),
    "body of no shape": (put("vehicle", "body_shape", value="blimp"), "body shape"),
    "no picture": (put("photos", 0, "thumbnail", value="aGVsbG8="), "no picture"),
    "huge picture": (put("photos", 0, "thumbnail", value=picture(1200)), "larger than a thumb"),
    "text turned round": (put("plan", "channels", 0, "note", value="a\u202eb"), "cannot be shown"),
    "zero byte": (put("plan", "channels", 0, "note", value="a\u0000b"), "cannot be shown"),
    "same id twice": (
        lambda found: plan_of_file(found)["speakers"].append(plan_of_file(found)["speakers"][0]),
        "twice",
    ),
    "no setups": (lambda found: found.update(setups=[]), "1 to 20"),
    "too many": (lambda found: found.update(setups=found["setups"] * 21), "1 to 20"),
    "setups of another kind": (lambda found: found.update(setups=["x"]), "is not one"),
    "no schema": (lambda found: found.update(schema={}), "schema"),
    "another format": (lambda found: found.update(format="other"), "no file of setups"),
    "format of tomorrow": (lambda found: found.update(format_version=7), "another version"),
    "field too many": (lambda found: found.update(extra=1), "too many or too few"),
    "name of nothing": (lambda found: found["setups"][0].update(name=" "), "has no name"),
    "no certificate": (lambda found: found.update(certificate="AAAA"), "certificate"),
}


def refused(data: bytes, why: str, workshop: Workshop) -> None:
    """The file is refused for that reason, and the book is as it was."""
    before = (
        list(SavedSetup.objects.values()),
        SetupVersion.objects.count(),
        VehicleModel.objects.count(),
    )
    with pytest.raises(Refused, match=why):
        read_file(data)
    with pytest.raises(Refused, match=why):
        import_file(data, [1], workshop.manager)
    assert before == (
        list(SavedSetup.objects.values()),
        SetupVersion.objects.count(),
        VehicleModel.objects.count(),
    )


def test_a_signed_but_dishonest_file_is_refused(setup: SavedSetup, workshop: Workshop) -> None:
    data = export_file([setup])
    assert read_file(signed(data, lambda found: None)).setups
    for twist, why in DISHONEST.values():
        refused(signed(data, twist), why, workshop)


leaf = (
    st.none()
    | st.booleans()
    | st.integers(-(10**9), 10**9)
    | st.floats(-1e9, 1e9)
    | st.text(max_size=12)
    | st.sampled_from(("A1", "A1.1", "SP1", "battery", "1900–", "4 AWG"))
)
field = st.sampled_from(("id", "plan", "wire", "speakers", "years", "kind")) | st.text(max_size=6)
anything = st.recursive(
    leaf,
    lambda inner: (
        st.lists(inner, max_size=4)
        | st.dictionaries(field, inner, max_size=4)
        | st.lists(leaf, max_size=2).map(lambda two: [two, two])
    ),
    max_leaves=10,
)


def ways_into(value: Any, way: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """The way to each value within plain JSON types."""
    rows = value.items() if isinstance(value, dict) else enumerate(value)
    for name, inner in rows:
        yield (*way, name)
        if isinstance(inner, dict | list):
            yield from ways_into(inner, (*way, name))


def put_at(value: Any, way: tuple[Any, ...], new: Any) -> Any:
    """A copy with another value at the end of the way."""
    changed = copy.deepcopy(value)
    at = changed
    for step in way[:-1]:
        at = at[step]
    at[way[-1]] = new
    return changed


def read_or_refused(document: Any) -> None:
    """The document is taken at this version, or refused with a sentence."""
    try:
        checked = setup_document.checked(document)
        check_sense(checked)
    except SetupError as error:
        assert str(error).strip()
    else:
        assert checked["setup_version"] == setup_document.SETUP_VERSION


@settings(max_examples=300, deadline=None)
@given(anything, st.sampled_from((None, 1, 2, [], {}, "2", 2.0, True)))
def test_a_document_of_any_shape_is_read_or_refused(document: Any, version: Any) -> None:
    read_or_refused(document)
    if isinstance(document, dict):
        read_or_refused({**FIRST, **document, "setup_version": version})


@settings(max_examples=300, deadline=None)
@given(st.sampled_from(sorted(ways_into(FIRST), key=repr)), anything)
def test_an_old_document_with_anything_anywhere_is_read_or_refused(way: Any, new: Any) -> None:
    read_or_refused(put_at(FIRST, way, new))


def test_a_signed_file_with_anything_anywhere_is_read_or_refused(
    setup: SavedSetup, workshop: Workshop
) -> None:
    data = export_file([setup])
    envelope = {name: one for name, one in json.loads(data).items() if name != "schema"}

    @settings(max_examples=150, deadline=None)
    @given(st.sampled_from(sorted(ways_into(envelope), key=repr)), anything)
    def sample(way: Any, new: Any) -> None:
        twisted = put_at(json.loads(data), way, new)
        twisted.setdefault("signature", "")
        try:
            letter = read_file(signed(json.dumps(twisted).encode(), lambda found: None))
        except Refused as refused:
            assert refused.reasons[0].strip()
        else:
            assert letter.setups

    sample()


def _zip(data: bytes) -> bytes:
    out = BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("setups.json", data)
    return out.getvalue()


def test_hostile_bytes_are_refused(setup: SavedSetup, workshop: Workshop) -> None:
    data = export_file([setup])
    text = data.decode()
    level_text = '"level_db": -4.5'
    assert level_text in text
    hostile = {
        "compressed": (gzip.compress(b"0" * 10_000_000), "compressed"),
        "zipped": (_zip(b"0" * 10_000_000), "compressed"),
        "too large": (data + b" " * setup_exchange.MOST_BYTES, "larger than"),
        "deep lists": (b"[" * 100_000, "nested deeper"),
        "deep objects": (b'{"a":' * 60_000 + b"1" + b"}" * 60_000, "nested deeper"),
        "not JSON": (b"format: loombook", "cannot be read"),
        "not UTF-8": (b'{"format": "\xff"}', "cannot be read"),
        "a list": (b"[]", "no file of setups"),
        "infinite": (text.replace(level_text, '"level_db": 1e999').encode(), "no setup can hold"),
        "no number": (text.replace(level_text, '"level_db": NaN').encode(), "no number"),
        "very long": (
            text.replace(level_text, f'"level_db": {"9" * 5000}').encode(),
            "no setup can hold",
        ),
        "half a letter": (text.replace("Clip first", "\\ud800").encode(), "cannot be shown"),
        "said twice": (
            text.replace(level_text, f"{level_text}, {level_text}", 1).encode(),
            "twice",
        ),
        "changed on the way": (text.replace(level_text, '"level_db": 0').encode(), "changed after"),
        "cut off": (data[:-40], "cannot be read"),
    }
    for sent, why in hostile.values():
        refused(sent, why, workshop)


def test_in_and_out_on_screen(setup: SavedSetup, workshop: Workshop, client: Client) -> None:
    client.force_login(workshop.manager)
    answer = client.get(f"/setups/{setup.pk}/export/")
    assert answer["Content-Disposition"].startswith("attachment")
    file = SimpleUploadedFile("setups.json", answer.content)
    shown = client.post("/setups/import/", {"file": file})
    assert setup_exchange.read_file(answer.content).sender.told_fingerprint in (
        shown.content.decode()
    )
    assert SavedSetup.objects.count() == 1
    content = shown.context["content"]
    taken = client.post("/setups/import/", {"content": content, "setup": "1", "take": "1"})
    assert taken.status_code == 302
    made = SavedSetup.objects.get(origin__has_key="shop")
    page = client.get(taken["Location"]).content.decode()
    assert "Draft" in page
    assert made.name == "Four channels (2)"
    bad = SimpleUploadedFile("setups.json", gzip.compress(answer.content))
    answer = client.post("/setups/import/", {"file": bad})
    assert answer.status_code == 422
    assert "compressed" in answer.content.decode()
    assert SavedSetup.objects.count() == 2
