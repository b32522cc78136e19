"""The estimate: lines, options, approval, payments; a change asks for a new approval."""

import io
import threading
from concurrent.futures import ThreadPoolExecutor
from decimal import Decimal
from typing import Any

import pytest
from django.db import DatabaseError, connections, transaction
from django.test import Client
from django.urls import reverse
from pypdf import PdfReader

from jobs.errors import ChangedMeanwhile, Refused
from jobs.lifecycle import Stage
from jobs.models import EstimateApproval, Job, Payment
from jobs.paper import estimate_pdf
from jobs.services.estimates import (
    Estimate,
    add_line,
    approve,
    change_line,
    fill,
    note_payment,
    remove_line,
)
from shop.models import StaffMember
from shop.roles import Role
from tests.factories import make_job, make_product, make_shop, make_staff
from tests.jobs.test_check_in import PNG


@pytest.fixture
def desk(db: None) -> StaffMember:
    make_shop(
        currency="EUR", tax_name="VAT", tax_percent=Decimal(20), prices_with_tax=False,
        labour_price=Decimal("64.50"),
    )  # fmt: skip
    return make_staff(Role.FRONT_DESK)


def line(text: str, price: str, quantity: str = "1", **more: Any) -> dict[str, Any]:
    return {
        "kind": "other",
        "text": text,
        "price": Decimal(price),
        "quantity": Decimal(quantity),
        **more,
    }


def estimate_of(job: Job) -> Estimate:
    return Estimate(Job.objects.get(pk=job.pk))


def test_parts_and_usual_hours_come_from_the_job_once(desk: StaffMember) -> None:
    """Two parts of one product are one line of two; two products alike in name are two lines."""
    amplifier = make_product(name="Weir Nine", price=Decimal("310.00"))
    twins = [make_product(name="Brook Two", price=Decimal("80")) for _ in range(2)]
    job = make_job(parts_wanted=[amplifier, amplifier, *twins], actor=desk)
    assert [fill(job.number, desk) for _ in range(2)] == [3, 0]
    lines = estimate_of(job).lines
    told = [(one.row.product_id, one.row.quantity, one.amount) for one in lines]
    assert told == [
        (amplifier.pk, 2, Decimal("620.00")),
        (twins[0].pk, 1, Decimal("80.00")),
        (twins[1].pk, 1, Decimal("80.00")),
    ]


def test_an_option_counts_while_it_is_taken(desk: StaffMember) -> None:
    job = make_job(actor=desk)
    add_line(job.number, line("Doors deadened", "100"), actor=desk, key="d_1")
    assert add_line(job.number, line("Doors deadened", "100"), actor=desk, key="d_1") is None
    option = add_line(job.number, line("Boot too", "50", optional=True), actor=desk)
    assert option
    assert estimate_of(job).totals.total == Decimal("180.00")
    change_line(job.number, option.pk, {"taken": False}, actor=desk, version=1)
    assert estimate_of(job).totals.total == Decimal("120.00")
    change_line(job.number, option.pk, {"optional": False}, actor=desk, version=2)
    assert estimate_of(job).totals.total == Decimal("180.00")


def test_whatever_changes_the_estimate_asks_for_a_new_approval(desk: StaffMember) -> None:
    job = make_job(Stage.IN_BAY, actor=desk)
    row = add_line(job.number, line("Work", "64.50", "4"), actor=desk)
    option = add_line(job.number, line("Boot", "50", optional=True), actor=desk)
    assert row
    assert option
    same_price = {"price": Decimal("64.5000")}

    def now_approved() -> bool:
        shown = estimate_of(job)
        if not shown.approved:
            approve(job.number, shown.sha256, "call", name="Ada", said_words="Yes", actor=desk)
        return estimate_of(job).approved

    def version(pk: int) -> int:
        return int(job.estimate_lines.get(pk=pk).version)

    def change(pk: int, **changes: Any) -> None:
        change_line(job.number, pk, changes, actor=desk, version=version(pk))

    for alter in (
        lambda: change(row.pk, price=Decimal("64.51")),
        lambda: change(row.pk, text="Other work"),
        lambda: change(option.pk, taken=False),
        lambda: add_line(job.number, line("Cloth", "0"), actor=desk),
        lambda: remove_line(job.number, row.pk, desk),
        lambda: make_shop(tax_percent=Decimal(21)),
    ):
        assert now_approved()
        alter()
        assert estimate_of(job).state == "changed"
    assert now_approved()
    change(option.pk, **{**same_price, "price": Decimal("50.00")})
    assert estimate_of(job).approved, "the same price written otherwise is the same estimate"
    note_payment(job.number, "deposit", Decimal(20), "Cash", actor=desk)
    assert estimate_of(job).approved, "money paid changes nothing of what was agreed"


def test_only_what_was_shown_is_approved_with_a_name_and_its_proof(desk: StaffMember) -> None:
    job = make_job(actor=desk)
    with pytest.raises(Refused, match="nothing to approve"):
        approve(job.number, estimate_of(job).sha256, "signature", name="Ada", actor=desk)
    add_line(job.number, line("Work", "10"), actor=desk)
    shown = estimate_of(job).sha256
    with pytest.raises(Refused, match="who approves"):
        approve(job.number, shown, "signature", name=" ", actor=desk)
    with pytest.raises(Refused, match="what was said"):
        approve(job.number, shown, "call", name="Ada", actor=desk)
    add_line(job.number, line("More", "10"), actor=desk)
    with pytest.raises(ChangedMeanwhile):
        approve(job.number, shown, "signature", name="Ada", actor=desk)
    shown = estimate_of(job).sha256
    twice = [approve(job.number, shown, "signature", name="Ada", actor=desk) for _ in range(2)]
    assert twice[0] == twice[1]
    assert job.estimate_approvals.count() == 1
    assert job.events.filter(code="estimate.approved").count() == 1


def test_what_was_approved_and_paid_is_never_changed(desk: StaffMember) -> None:
    job = make_job(actor=desk)
    add_line(job.number, line("Work", "10"), actor=desk)
    approve(job.number, estimate_of(job).sha256, "signature", name="Ada", actor=desk)
    note_payment(job.number, "deposit", Decimal(5), "", actor=desk)
    for change in (
        lambda: EstimateApproval.objects.update(name="Eve"),
        lambda: EstimateApproval.objects.all().delete(),
        lambda: Payment.objects.update(amount=0),
        lambda: Payment.objects.all().delete(),
    ):
        with pytest.raises(DatabaseError), transaction.atomic():
            change()


def test_payments_add_up_and_a_slip_is_put_right_by_its_opposite(desk: StaffMember) -> None:
    job = make_job(actor=desk)
    add_line(job.number, line("Work", "100"), actor=desk)
    for key in ("k1", "k1", "k2"):
        note_payment(job.number, "deposit", Decimal("30.005"), "Card", actor=desk, key=key)
    note_payment(job.number, "back", Decimal("30.01"), "Slip", actor=desk)
    assert (estimate_of(job).paid, estimate_of(job).due) == (Decimal("30.01"), Decimal("89.99"))
    for nothing in ("0", "0.004", "-5"):
        with pytest.raises(Refused):
            note_payment(job.number, "payment", Decimal(nothing), "", actor=desk)


def test_the_page_keeps_what_was_typed_and_says_it_is_no_legal_advice(
    client: Client, desk: StaffMember
) -> None:
    client.force_login(desk)
    job = make_job(actor=desk)
    add = reverse("estimate_line_add", args=[job.number])
    typed = {"new-kind": "labour", "new-text": "Work", "new-quantity": "2,5", "new-price": "12,50"}
    answer = client.post(add, {**typed, "new-price": "1.2.3"})
    assert answer.status_code == 422
    assert "1.2.3" in answer.content.decode()
    for _ in range(2):
        assert client.post(add, {**typed, "key": "d_9"}).status_code == 302
    page = client.get(reverse("estimate", args=[job.number])).content.decode()
    assert "31.25\u00a0EUR" in page
    assert "legal" in page
    assert "half a unit up" in page
    shown = estimate_of(job).sha256
    sign = {"sha256": shown, "how": "call", "signature_name": "ADA ROWAN", "said": ""}
    refused = client.post(reverse("estimate_approve", args=[job.number]), sign)
    assert refused.status_code == 422
    assert "ADA ROWAN" in refused.content.decode()
    by_hand = {**sign, "how": "signature", "signature": PNG}
    assert client.post(reverse("estimate_approve", args=[job.number]), by_hand).status_code == 302
    assert "Approved by" in client.get(job.get_absolute_url()).content.decode()
    stale = client.post(reverse("estimate_approve", args=[job.number]), {**sign, "sha256": "0"})
    assert stale.status_code == 409
    client.force_login(make_staff(Role.TECHNICIAN))
    assert "Approved by" in client.get(job.get_absolute_url()).content.decode()
    assert client.get(reverse("estimate", args=[job.number])).status_code == 403


def test_the_paper_says_what_the_page_says(desk: StaffMember) -> None:
    job = make_job(actor=desk)
    add_line(job.number, line("Doors deadened", "100", "1.5"), actor=desk)
    add_line(job.number, line("Boot", "50", optional=True), actor=desk)
    approve(job.number, estimate_of(job).sha256, "signature", name="Ada", signature=PNG, actor=desk)
    reader = PdfReader(io.BytesIO(estimate_pdf(estimate_of(job))))
    text = " ".join(page.extract_text() for page in reader.pages).replace("\u00a0", " ")
    for words in ("Doors deadened", "taken", "240.00 EUR", "VAT 20 %", "Ada", "no invoice"):
        assert words in text, words


@pytest.mark.django_db(transaction=True)
def test_an_approval_and_a_change_at_once_never_leave_a_wrong_approval() -> None:
    make_shop(currency="EUR")
    desk = make_staff(Role.FRONT_DESK)
    job = make_job(actor=desk)
    row = add_line(job.number, line("Work", "10"), actor=desk)
    assert row
    shown = estimate_of(job).sha256
    together = threading.Barrier(2)

    def go(turn: int) -> str:
        together.wait(10)
        try:
            if turn:
                change_line(job.number, row.pk, {"price": Decimal(11)}, actor=desk, version=1)
            else:
                approve(job.number, shown, "signature", name="Ada", actor=desk)
        except ChangedMeanwhile:
            return "changed meanwhile"
        finally:
            connections.close_all()
        return "done"

    with ThreadPoolExecutor(2) as people:
        answers = list(people.map(go, range(2)))
    assert answers[1] == "done"
    state = estimate_of(job).state
    assert state == ("open" if answers[0] == "changed meanwhile" else "changed")
