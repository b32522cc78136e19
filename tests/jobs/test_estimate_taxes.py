"""Lines of an estimate with different taxes: sums by rate, and what was approved before there were
any."""

import io
from decimal import Decimal
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse
from hypothesis import given, strategies as st
from pypdf import PdfReader

from jobs.models import EstimateLine, Job
from jobs.paper import estimate_pdf
from jobs.reads.history import history_of
from jobs.services.estimates import Estimate, add_line, approve, change_line, fill
from shop.models import Shop, StaffMember, TaxRate
from shop.roles import Role
from tests.factories import make_job, make_product, make_shop, make_staff


@pytest.fixture
def desk(db: None) -> StaffMember:
    make_shop(
        currency="EUR", tax_name="VAT", tax_percent=Decimal(20), prices_with_tax=False,
        labour_price=Decimal("64.50"),
    )  # fmt: skip
    return make_staff(Role.FRONT_DESK, Role.MANAGER)


@pytest.fixture
def reduced(desk: StaffMember) -> TaxRate:
    return TaxRate.objects.create(name="Reduced VAT", percent=Decimal("5.5"))


def line(text: str, price: str, rate: TaxRate | None = None, **more: Any) -> dict[str, Any]:
    facts = {"kind": "other", "text": text, "price": Decimal(price), "quantity": Decimal(1)}
    return {**facts, "tax_rate": rate, **more}


def estimate_of(job: Job) -> Estimate:
    return Estimate(Job.objects.get(pk=job.pk))


def said(job: Job) -> list[tuple[str, str, str, str]]:
    return [
        (tax.text.replace("\u00a0", " "), str(sums.net), str(sums.tax), str(sums.total))
        for tax, sums in estimate_of(job).taxes
    ]


def test_each_rate_is_summed_and_rounded_once(desk: StaffMember, reduced: TaxRate) -> None:
    """Two equal lines of 0.09 at 5.5 %: 0.0099 together is 0.01, each alone would be 0.00."""
    job = make_job(actor=desk)
    for _ in range(2):
        add_line(job.number, line("Cloth", "0.09", reduced), actor=desk)
    add_line(job.number, line("Work", "100"), actor=desk)
    left = add_line(job.number, line("Boot", "40", reduced, optional=True), actor=desk)
    assert left
    change_line(job.number, left.pk, {"taken": False}, actor=desk, version=1)
    assert said(job) == [
        ("VAT 20 %", "100.00", "20.00", "120.00"),
        ("Reduced VAT 5.5 %", "0.18", "0.01", "0.19"),
    ]
    found = estimate_of(job).totals
    assert (found.net, found.tax, found.total) == tuple(map(Decimal, ("100.18", "20.01", "120.19")))


def test_a_document_without_another_tax_is_to_the_letter_what_it_was(desk: StaffMember) -> None:
    """What was approved before a line could carry a tax of its own stays approved: the text whose
    digest the approval holds is written out here."""
    job = make_job(actor=desk)
    add_line(job.number, line("Work", "64.50", quantity=Decimal("1.5")), actor=desk)
    document = estimate_of(job).document
    assert document == {
        "format": 1,
        "currency": "EUR",
        "tax_name": "VAT",
        "tax_percent": "20",
        "prices_with_tax": False,
        "lines": [
            {
                "kind": "other",
                "text": "Work",
                "quantity": "1.5",
                "price": "64.5",
                "optional": False,
                "taken": True,
                "amount": "96.75",
            }
        ],
        "net": "96.75",
        "tax": "19.35",
        "total": "116.1",
    }
    before = estimate_of(job).sha256
    approve(job.number, before, "call", name="Ada", said_words="Yes", actor=desk)
    alike = TaxRate.objects.create(name="VAT", percent=Decimal("20.000"))
    other = TaxRate.objects.create(name="Reduced VAT", percent=Decimal(7))
    assert estimate_of(job).approved, "a rate that no line carries changes nothing"
    EstimateLine.objects.filter(job=job).update(tax_rate=alike)
    assert (estimate_of(job).sha256, estimate_of(job).approved) == (before, True)
    EstimateLine.objects.filter(job=job).update(tax_rate=other)
    assert estimate_of(job).state == "changed"
    shown = estimate_of(job)
    approve(job.number, shown.sha256, "call", name="Ada", said_words="Yes", actor=desk)
    assert estimate_of(job).approved
    TaxRate.objects.filter(pk=other.pk).update(percent=Decimal(8))
    assert estimate_of(job).state == "changed", "another rate, another estimate"


def test_a_tax_of_nothing_is_not_the_usual_one_and_two_of_one_rate_stay_two(
    desk: StaffMember,
) -> None:
    exempt, export = (
        TaxRate.objects.create(name=name, percent=Decimal(0)) for name in ("Exempt", "Export")
    )
    job = make_job(actor=desk)
    for rate in (export, exempt, None, exempt):
        add_line(job.number, line("Same", "10", rate), actor=desk)
    assert said(job) == [
        ("VAT 20 %", "10.00", "2.00", "12.00"),
        ("Exempt 0 %", "20.00", "0.00", "20.00"),
        ("Export 0 %", "10.00", "0.00", "10.00"),
    ]
    Shop.objects.update(tax_percent=Decimal(0))
    assert estimate_of(job).says_tax
    assert not Estimate(make_job(actor=desk)).says_tax


amounts = st.decimals("0", "99999.9999", places=4)


@pytest.mark.django_db
@given(st.lists(st.tuples(amounts, st.sampled_from([0, 1, 2])), min_size=1, max_size=6), st.data())
def test_the_order_of_lines_changes_no_sum(
    given_lines: list[tuple[Decimal, int]], data: st.DataObject
) -> None:
    shop = Shop(currency="EUR", tax_name="VAT", tax_percent=Decimal(19), prices_with_tax=True)
    rates = [None, TaxRate(name="Reduced", percent=7), TaxRate(name="None", percent=0)]
    rows = [
        EstimateLine(kind="other", text="x", price=price, quantity=Decimal(1), tax_rate=rates[at])
        for price, at in given_lines
    ]

    def sums(order: list[EstimateLine]) -> Any:
        estimate = Estimate(Job(), shop)
        vars(estimate)["lines"] = [estimate.priced(row) for row in order]
        return estimate.taxes, estimate.totals

    taxes, whole = sums(rows)
    assert sums(data.draw(st.permutations(rows))) == (taxes, whole)
    assert sum(part.total for _, part in taxes) == whole.total == whole.net + whole.tax
    assert sum(part.tax for _, part in taxes) == whole.tax
    assert len(taxes) == len({at for _, at in given_lines})


def test_a_product_brings_its_tax_and_a_line_may_have_another(
    client: Client, desk: StaffMember, reduced: TaxRate
) -> None:
    client.force_login(desk)
    plain, taxed = (
        make_product(name=name, price=Decimal("10"), tax_rate=rate)
        for name, rate in (("Brook Two", None), ("Brook Three", reduced))
    )
    job = make_job(parts_wanted=[plain, taxed], actor=desk)
    fill(job.number, desk)
    client.post(reverse("estimate_line_add", args=[job.number]), {"product": taxed.pk})
    rows = list(job.estimate_lines.all())
    assert [row.tax_rate for row in rows] == [None, reduced, reduced]
    page = client.get(reverse("estimate", args=[job.number])).content.decode()
    for words in ("Reduced VAT 5.5\u00a0% on 20.00\u00a0EUR", "The usual: VAT 20\u00a0%"):
        assert words in page, words
    row = rows[0]
    typed = {
        f"l{row.pk}-kind": "part",
        f"l{row.pk}-text": row.text,
        f"l{row.pk}-quantity": "1",
        f"l{row.pk}-price": "10",
        f"l{row.pk}-tax_rate": str(reduced.pk),
        "version": "1",
    }
    save = reverse("estimate_line_save", args=[job.number, row.pk])
    assert client.post(save, typed).status_code == 302
    row.refresh_from_db()
    assert row.tax_rate == reduced
    newest = history_of(job, whole=True)[0]
    assert newest.sentence.endswith("Brook Two: tax changed.")
    TaxRate.objects.create(name="Exempt", percent=Decimal(0))
    reduced.active = False
    reduced.save()
    assert client.post(save, {**typed, "version": "2"}).status_code == 302
    new = reverse("estimate_line_add", args=[job.number])
    other = {name.replace(f"l{row.pk}", "new"): value for name, value in typed.items()}
    assert client.post(new, other).status_code == 422, "out of use for new lines"


def test_a_shop_with_one_tax_is_asked_nothing_and_says_it_once(
    client: Client, desk: StaffMember
) -> None:
    client.force_login(desk)
    job = make_job(actor=desk)
    add_line(job.number, line("Work", "100"), actor=desk)
    page = client.get(reverse("estimate", args=[job.number])).content.decode()
    assert "tax_rate" not in page
    assert page.count("VAT 20\u00a0%") == 1
    product = make_product()
    assert "tax_rate" not in client.get(reverse("product_edit", args=[product.pk])).content.decode()


def test_the_list_is_kept_by_a_manager(client: Client, desk: StaffMember) -> None:
    client.force_login(desk)
    new = reverse("tax_rate_create")
    typed = {"name": "Reduced VAT", "percent": "7", "order": "0", "active": "on"}
    assert client.post(new, typed).status_code == 302
    again = client.post(new, typed)
    assert again.status_code == 422
    assert "in the list already" in again.content.decode()
    assert "Reduced VAT 7\u00a0%" in client.get(reverse("tax_rate_list")).content.decode()
    product = make_product()
    edit = client.get(reverse("product_edit", args=[product.pk])).content.decode()
    assert "Reduced VAT 7" in edit


@pytest.mark.paper
def test_the_paper_has_the_sums_of_each_rate(desk: StaffMember, reduced: TaxRate) -> None:
    job = make_job(actor=desk)
    for rate in (None, reduced, reduced):
        add_line(job.number, line("Same", "100", rate), actor=desk)
    reader = PdfReader(io.BytesIO(estimate_pdf(estimate_of(job))))
    text = " ".join(page.extract_text() for page in reader.pages).replace("\u00a0", " ")
    text = " ".join(text.split())
    for words in (
        "VAT 20 % on 100.00 EUR 20.00 EUR",
        "Reduced VAT 5.5 % on 200.00 EUR 11.00 EUR",
        "Total 331.00 EUR",
        "Without tax 300.00 EUR",
    ):
        assert words in text, (words, text)
