"""The shop's own log: whatever a manager or the desk changes, it says who, when, from and to."""

import csv
import io
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import DatabaseError, connection, connections, models, transaction
from django.test import Client
from django.urls import reverse

from jobs.models import Hook, ProposalLimits, ShopTarget, StepTemplate, WorkKind
from jobs.services import step_lists
from shop.languages import speaking
from shop.models import (
    ApiToken,
    Bay,
    Branch,
    Customer,
    LabelSheet,
    PlugTable,
    Product,
    Shop,
    ShopEvent,
    StaffMember,
    Tablet,
    VehicleModel,
)
from shop.reads.events import KINDS, entry_of, log_url
from shop.roles import Role
from shop.services import events, pins, sign_in, tablets
from shop.services.people import save_staff
from shop.services.products import rating_facts, ratings_of
from tests.clock import at, later
from tests.factories import (
    PASSWORD,
    CustomerFactory,
    VehicleFactory,
    make_product,
    make_shop,
    make_staff,
)
from tests.form_walk import forms_in, tree_of

pytestmark = pytest.mark.django_db

Enter = Callable[..., None]

SMALL_LABELS = {
    "page_width_mm": "210",
    "page_height_mm": "297",
    "columns": "4",
    "rows": "10",
    "label_width_mm": "45",
    "label_height_mm": "25",
    "left_mm": "10",
    "top_mm": "10",
    "pitch_x_mm": "47",
    "pitch_y_mm": "27",
}


@pytest.fixture
def manager(client: Client) -> StaffMember:
    person = make_staff(Role.MANAGER)
    client.force_login(person)
    return person


@pytest.fixture
def enter(client: Client, manager: StaffMember) -> Enter:
    """Open the page of a form, change some of its controls as a person would, and send it."""

    def enter(url_name: str, *args: int, **typed: Any) -> None:
        address = reverse(url_name, args=args)
        page = client.get(address).content.decode()
        form = next(
            one
            for one in forms_in(tree_of(page), address)
            if not one.htmx and one.address.split("?")[0] == address
        )
        sent = {one.name: list(one.values) for one in form.controls if one.kind != "submit"}
        answer = client.post(form.address, sent | typed)
        assert answer.status_code == 302, tree_of(answer.content.decode()).words()

    return enter


def told(row: models.Model) -> dict[str, Any]:
    """What the log alone says a record is: its events laid over one another."""
    facts: dict[str, Any] = {}
    for event in ShopEvent.objects.filter(subject=events.subject_of(row)).order_by("pk"):
        for name, value in event.before.items():
            assert facts.get(name, value) == value, f"{event.code}: {name} was said otherwise"
        facts |= event.after
        for name in event.before.keys() - event.after.keys():
            del facts[name]
    nothing = (None, "", [], events.SET, events.TAKEN_AWAY)
    return {name: value for name, value in facts.items() if value not in nothing}


def stands(row: models.Model) -> dict[str, Any]:
    """What the database says of it now, as the log writes it."""
    row = type(row)._default_manager.get(pk=row.pk)
    facts = {name: events.as_json(value) for name, value in events.facts_of(row).items()}
    return facts | (rating_facts(ratings_of(row)) if isinstance(row, Product) else {})


def newest(row: models.Model) -> ShopEvent:
    event = ShopEvent.objects.filter(subject=events.subject_of(row)).first()
    assert event is not None
    return event


def words_of(event: ShopEvent) -> dict[str, tuple[str, str]]:
    entry = entry_of(event)
    return {one.label: (one.old, one.new) for one in (*entry.told, *entry.more)}


def test_the_log_alone_tells_what_every_kind_of_record_says(client: Client, enter: Enter) -> None:
    """Each form is filled in twice: as new, and changed; the log gives the row back."""
    rows: list[models.Model] = []

    def both(row_of: type[models.Model], create: str, edit: str, new: Any, changed: Any) -> None:
        enter(create, **new)
        row = row_of._default_manager.order_by("pk").last()
        assert row is not None
        assert told(row) == stands(row), "new"
        enter(edit, row.pk, **changed)
        assert newest(row).code.endswith(".changed")
        assert told(row) == stands(row), "changed"
        rows.append(row)

    both(
        StaffMember,
        "staff_create",
        "staff_edit",
        {"name": "Pell Orrin", "username": "pell", "is_technician": "on", "password": PASSWORD},
        {"name": "Pell Orrin-Vass", "is_front_desk": "on", "pin": "4826"},
    )
    both(
        Customer,
        "customer_create",
        "customer_edit",
        {"name": "Odo Marrick", "phone": "555 0199"},
        {"name": "Odo Marrick", "phone": "555 0200", "email": "odo@example.org"},
    )
    both(
        VehicleModel,
        "vehicle_model_create",
        "vehicle_model_edit",
        {"make": "Corvane", "model": "Lyra", "year_from": "2018"},
        {"year_to": "2024", "trim": "Touring"},
    )
    both(
        LabelSheet,
        "label_sheet_create",
        "label_sheet_edit",
        {"name": "Small labels", **SMALL_LABELS},
        {"name": "Small labels, white", "top_mm": "9"},
    )
    both(Bay, "bay_create", "bay_edit", {"name": "Bay 9"}, {"name": "Bay 9, lift"})
    both(
        ShopTarget,
        "target_create",
        "target_edit",
        {"name": "Evening", "points": "20 4\n1000 0\n20000 -4"},
        {"points": "20 6\n1000 0\n20000 -4"},
    )
    both(WorkKind, "step_kind_create", "step_kind_edit", {"name": "Towing"}, {"note": "With hitch"})
    both(
        Branch,
        "branch_create",
        "branch_edit",
        {"name": "Northside", "letters": "N"},
        {"name": "Northside Yard", "phone": "555 0142"},
    )
    vehicle, other = VehicleFactory(vin=""), CustomerFactory()
    events.log_saved(None, vehicle, None)
    enter("vehicle_edit", vehicle.pk, **{"vehicle-plate": "LB 42 ORD", "customer": str(other.pk)})
    rows.append(vehicle)
    enter("model_plug_create", vehicle.vehicle_model_id, name="Door plug, left")
    plug = PlugTable.objects.get()
    enter("plug_edit", plug.pk, columns="12", note="Grey housing")
    rows.append(plug)
    limits, shop = ProposalLimits.current(), Shop.objects.current()
    for row, name, typed in (
        (limits, "target_list", {"boost_db": "5"}),
        (shop, "settings", {"max_drop_percent": "2.5", "name": "Lantern Street Audio"}),
    ):
        events.log_saved(None, row, None)
        enter(name, **typed)
        assert told(row) == stands(row)
        rows.append(row)
    elsewhere = {ApiToken, Hook, Product, Tablet}
    assert {type(row) for row in rows} == {kind.model for kind in KINDS.values()} - elsewhere
    assert [told(row) for row in (vehicle, plug)] == [stands(row) for row in (vehicle, plug)]
    for row in rows:
        assert client.get(log_url(row)).status_code == 200


def test_a_product_is_told_with_its_rated_powers_and_a_file_as_the_cause_of_its_rows(
    client: Client, enter: Enter
) -> None:
    product = make_product(
        name="Eight", maker="Tarnholt", ratings=[(4, 75, False), (2, 110, False)]
    )
    same = make_product(
        name="Eight", maker="Tarnholt", part_number="TH-8B", ratings=[(4, 60, False)]
    )
    for one in (product, same):
        events.log_saved(None, one, None, after=rating_facts(ratings_of(one)))
    enter("product_edit", product.pk, **{"ratings-0-power_w": "80"})
    assert told(product) == stands(product)
    assert words_of(newest(product)) == {"Power into 4\u00a0Ω": ("75\u00a0W", "80\u00a0W")}
    assert ShopEvent.objects.filter(subject=events.subject_of(same)).count() == 1

    table = "Kind;Maker;Name;Part number;Channels;W at 4 ohm\nAmplifier;Tarnholt;Five;TH-5;5;50\n"
    sent = {"file": SimpleUploadedFile("list.csv", table.encode())}
    address = client.post(reverse("product_import"), sent)["Location"]
    form = client.get(address).context["form"]
    typed = {name: form[name].value() or "" for name in form.fields}
    preview = client.post(address, typed)["Location"]
    digest = client.get(preview).context["digest"]
    client.post(f"{preview}apply/", {"digest": digest})
    new = Product.objects.get(part_number="TH-5")
    assert told(new) == stands(new)
    imported = newest(new).part_of
    assert imported is not None
    assert (imported.code, imported.name, imported.after) == (
        "catalogue.imported",
        "list.csv",
        {"added": 1, "changed": 0},
    )

    client.post(reverse("product_remove", args=[new.pk]))
    gone = newest(new)
    assert (gone.code, gone.before["part_number"], gone.after) == ("product.removed", "TH-5", {})
    assert "Product, removed" in client.get(log_url(new)).content.decode()


def test_secrets_are_said_to_be_set_and_stand_nowhere_in_the_log(
    client: Client, manager: StaffMember
) -> None:
    person = make_staff(Role.TECHNICIAN)
    save_staff(person, password="orchard-copper-77", pin="4826", by=manager)
    pins.set_pin(person, "", by=person)
    client.post(
        reverse("password_change"),
        {
            "old_password": PASSWORD,
            "new_password1": "lantern-copper-55",
            "new_password2": "lantern-copper-55",
        },
    )
    tablet, token = tablets.register("Bay tablet", None, manager)
    tablets.revoke(tablet.pk, manager)
    tablets.revoke(tablet.pk, manager)

    codes = [(event.code, event.actor) for event in ShopEvent.objects.order_by("pk")]
    assert codes == [
        ("staffmember.changed", manager),
        ("staffmember.changed", person),
        ("staffmember.changed", manager),
        ("tablet.registered", manager),
        ("tablet.revoked", manager),
    ]
    first = words_of(ShopEvent.objects.order_by("pk")[0])
    assert first == {"Password": ("", "set"), "PIN": ("", "set")}
    kept = " ".join(f"{event.before} {event.after}" for event in ShopEvent.objects.all())
    person.refresh_from_db()
    for secret in ("orchard-copper-77", "lantern-copper-55", "4826", token, person.password):
        assert secret not in kept
    with pytest.raises(ValueError, match="pin"):
        events.log(manager, "staffmember.changed", person, after={"pin": "4826"})


def test_a_list_of_steps_is_told_as_a_whole(manager: StaffMember) -> None:
    kind = WorkKind.objects.create(name="Towing")
    first, second = (
        step_lists.add_at_end(StepTemplate(kind=kind, text=text), manager)
        for text in ("Cover the seats", "Cover the seats")
    )
    step_lists.move_step(second.pk, -1, manager)
    step_lists.move_step(second.pk, -1, manager)  # It is the first already.
    first.text = "Cover the boot"
    step_lists.change_step(first, manager)
    step_lists.change_step(first, manager)
    step_lists.remove_step(second.pk, manager)
    log = list(ShopEvent.objects.filter(subject=events.subject_of(kind)).order_by("pk"))
    assert [event.code.partition(".")[2] for event in log] == [
        "step_added",
        "step_added",
        "reordered",
        "step_changed",
        "step_removed",
    ]
    order = [[step["id"] for step in side["steps"]] for side in (log[2].before, log[2].after)]
    assert order == [[first.pk, second.pk], [second.pk, first.pk]]
    assert words_of(log[3])["Text"] == ("Cover the seats", "Cover the boot")
    step_lists.start_with_usual(manager)
    usual = WorkKind.objects.exclude(pk=kind.pk)[0]
    _, steps = words_of(newest(usual))["Steps"]
    assert steps.split(" · ")[0] == usual.steps.all()[0].text


def test_two_owners_of_one_name_are_told_apart(manager: StaffMember) -> None:
    old, new = (CustomerFactory(name="Ines Halloran") for _ in range(2))
    vehicle = VehicleFactory(owner=old)
    vehicle.owner = new
    events.save(vehicle, manager, only=["owner"])
    assert words_of(newest(vehicle)) == {
        "Owner": (f"Ines Halloran (no. {old.pk})", f"Ines Halloran (no. {new.pk})")
    }


def test_nothing_is_logged_of_what_is_refused_or_changes_nothing(
    client: Client, manager: StaffMember, enter: Enter
) -> None:
    bay = Bay.objects.create(name="Bay 1")
    enter("bay_edit", bay.pk)
    assert client.post(reverse("bay_edit", args=[bay.pk]), {"name": ""}).status_code == 422
    last = reverse("staff_edit", args=[manager.pk])
    typed = {"name": "Else", "username": manager.username, "is_technician": "on", "is_active": "on"}
    assert client.post(last, typed).status_code == 422
    with pytest.raises(ZeroDivisionError), transaction.atomic():
        bay.name = "Bay 2"
        events.save(bay, manager)
        raise ZeroDivisionError
    assert not ShopEvent.objects.exists()


def test_a_form_writes_its_own_fields_only(manager: StaffMember) -> None:
    """What somebody else saved of the settings meanwhile stands."""
    shop = Shop.objects.current()
    Shop.objects.update(steps_left_out=["bays"])
    shop.name = "Lantern Street Audio"
    events.save(shop, manager, only=["name"])
    stored = Shop.objects.get()
    assert (stored.name, stored.steps_left_out) == (shop.name, ["bays"])
    assert "Name" in words_of(newest(shop))


def test_the_database_lets_nobody_change_the_log(manager: StaffMember) -> None:
    events.save(Bay(name="Bay 1"), manager)
    event = ShopEvent.objects.get()
    statements = [
        "UPDATE shop_shopevent SET name = 'Else' WHERE id = %s",
        "DELETE FROM shop_shopevent WHERE id = %s",
    ]
    if connection.vendor == "sqlite":
        columns = "at, actor_id, code, subject, name, before, after, part_of_id"
        statements.append(
            f"INSERT OR REPLACE INTO shop_shopevent (id, {columns}) "
            f"SELECT id, {columns} FROM shop_shopevent WHERE id = %s"
        )
    for statement in statements:
        with (
            pytest.raises(DatabaseError, match="cannot be changed"),
            transaction.atomic(),
            connection.cursor() as cursor,
        ):
            cursor.execute(statement, [event.pk])
    event.refresh_from_db()
    assert event.name == "Bay 1"


def test_the_page_is_narrowed_by_record_kind_and_person(
    client: Client, manager: StaffMember
) -> None:
    other = make_staff(Role.MANAGER)
    first = events.save(Bay(name="Bay 1"), manager)
    events.save(Bay(name="Bay 11"), other)
    events.save(Bay(name="Bay 12"), None)
    odo = events.save(CustomerFactory.build(name="Odo Marrick"), other)

    def shown(**query: Any) -> list[str]:
        answer = client.get(reverse("shop_log"), query)
        return [entry.event.name for entry in answer.context["entries"]]

    assert shown() == ["Odo Marrick", "Bay 12", "Bay 11", "Bay 1"]
    assert shown(record=events.subject_of(first)) == ["Bay 1"]
    assert shown(kind="customer") == [str(odo)]
    assert shown(by=other.pk) == ["Odo Marrick", "Bay 11"]
    assert shown(by="server") == ["Bay 12"]
    assert shown(kind="bay", by=other.pk) == ["Bay 11"]
    for nonsense in ({"record": "bay:x"}, {"record": "song:1"}, {"kind": "song"}, {"by": "\x00"}):
        assert client.get(reverse("shop_log"), nonsense).status_code == 200


def test_sign_ins_exports_and_rights_are_found_by_kind_person_and_day_and_taken_as_a_file(
    client: Client, manager: StaffMember, monkeypatch: pytest.MonkeyPatch
) -> None:
    make_shop(time_zone="Pacific/Auckland")
    person, log = make_staff(Role.TECHNICIAN), reverse("shop_log")
    Client().post(reverse("login"), {"username": person.username, "password": "wrong"})
    here = Client()
    here.post(reverse("login"), {"username": manager.username, "password": PASSWORD})
    here.get(f"{reverse('product_export')}?as=csv")
    save_staff(StaffMember.objects.get(pk=person.pk), password="orchard-copper-77", by=manager)
    shop = Shop.objects.get()
    for name, value in (("name", "=1+1"), ("own_review_allowed", False)):
        setattr(shop, name, value)
        events.save(shop, manager, only=[name])
    evening = datetime(2026, 3, 1, 23, 30, tzinfo=ZoneInfo("Pacific/Auckland"))
    with at(evening):
        events.save(Bay(name="Bay 1"), manager)

    def shown(**query: Any) -> list[str]:
        return [one.event.code for one in here.get(log, query).context["entries"]]

    assert shown(kind="door") == [sign_in.SIGNED_IN, sign_in.FAILED]
    assert shown(kind="exports") == [sign_in.EXPORTED]
    assert shown(kind="rights") == ["shop.changed", "staffmember.changed"], "a name is no right"
    assert shown(by=person.pk) == [sign_in.FAILED], "tries at their name"
    assert shown(by=manager.pk, kind="door") == [sign_in.SIGNED_IN]
    assert shown(**{"from": "2026-03-01", "to": "2026-03-01"}) == ["bay.created"]
    assert shown(to="2026-02-28") == []
    assert shown(**{"from": "nonsense", "to": "2026-02-30"}) == shown()

    file = here.get(reverse("shop_log_csv"), {"kind": "shop"})
    rows = list(csv.reader(io.StringIO(file.content.decode("utf-8-sig"))))
    assert [row[3] for row in rows[1:]] == ["'=1+1", "'=1+1", "Our shop"], "no formula"
    assert rows[1][4] == "One person may review their own work: yes → no"
    assert rows[0][0] == "When" and rows[1][1] == manager.name
    assert shown(kind="exports") == [sign_in.EXPORTED] * 2, "the file itself stands in the log"
    monkeypatch.setattr("shop.views.events.MOST_IN_A_FILE", 3)
    refused = here.get(reverse("shop_log_csv"), follow=True)
    assert "Narrow it by days" in refused.content.decode()
    with later(timedelta(minutes=11)):
        assert here.get(reverse("shop_log_csv")).status_code == 302, "asks again"


@pytest.mark.django_db(transaction=True)
@pytest.mark.skipif(connection.vendor == "sqlite", reason="SQLite writes one transaction at a time")
def test_saves_of_one_record_at_once_are_told_one_after_the_other() -> None:
    manager = make_staff(Role.MANAGER)
    bay = events.save(Bay(name="Bay 0"), manager)

    def rename(turn: int) -> None:
        try:
            row = Bay.objects.get(pk=bay.pk)
            row.name = f"Bay {turn}"
            events.save(row, manager, only=["name"])
        finally:
            connections.close_all()

    with ThreadPoolExecutor(6) as people:
        list(people.map(rename, range(1, 25)))
    assert told(bay) == stands(bay)
    assert ShopEvent.objects.count() == 25


def test_the_log_is_read_in_the_language_of_whoever_reads_it(manager: StaffMember) -> None:
    person = make_staff(Role.TECHNICIAN)
    save_staff(person, password="orchard-copper-77", by=manager)
    person.name, person.is_front_desk = "set", True
    save_staff(person, by=manager)
    with speaking("de"):
        changed, given = (entry_of(one) for one in ShopEvent.objects.all()[:2])
    assert (changed.title, given.title) == ("Person geändert",) * 2
    assert [one.new for one in given.told] == ["gesetzt"]
    assert [one.new for one in changed.told] == ["set", "ja"], "a name stays as it was typed"
