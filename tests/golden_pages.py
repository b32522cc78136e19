"""The pages of the three papers of one frozen record as small grey pictures.

`python -m tests.golden_pages` draws them anew into tests/jobs/pages; look at what changed before
it is kept. The fonts are ours, so another machine draws the same but for rounding: pictures are
blurred before they are compared, and a page may differ by little.
"""

import io
import json
import sys
from pathlib import Path
from typing import Any, Final

import pypdfium2 as pdfium
from PIL import Image, ImageChops, ImageFilter, ImageStat

HERE: Final = Path(__file__).parent / "jobs"
RECORD: Final = HERE / "documents" / "sheet-2.json"
PAGES: Final = HERE / "pages"
PAPERS: Final = ("sheet", "customer", "wiring")
SCALE: Final = 0.5
"""Pixels a point."""

GREYS: Final = 16
BLUR: Final = 1.5
MOST_OFF: Final = 40
MOST_SHARE: Final = 0.0005
"""At most this share of a page's blurred pixels may be off by more than MOST_OFF of 255."""

MOST_MEAN: Final = 1.0
"""And the whole page by this much on average."""


def record() -> dict[str, Any]:
    """The frozen record that is drawn."""
    document: dict[str, Any] = json.loads(RECORD.read_text(encoding="utf-8"))
    return document


def drawn(paper: str, document: dict[str, Any]) -> list[Image.Image]:
    """The pages of a paper as pictures, in as few greys as they are kept in."""
    from jobs.sheet import render  # Django has to be set up first.

    html = {
        "sheet": render.sheet_html,
        "customer": render.customer_html,
        "wiring": render.wiring_html,
    }[paper](document)
    pdf = pdfium.PdfDocument(render.write_pdf(html, []))
    pages = []
    for at in range(len(pdf)):
        page = pdf[at].render(scale=SCALE, grayscale=True).to_pil().convert("L")
        pages.append(page.quantize(GREYS).convert("L"))
    pdf.close()
    return pages


def kept(paper: str) -> list[Image.Image]:
    """The pages of a paper as they were kept."""
    files = sorted(PAGES.glob(f"{paper}-*.png"), key=lambda one: int(one.stem.rpartition("-")[2]))
    return [Image.open(io.BytesIO(one.read_bytes())).convert("L") for one in files]


def difference(one: Image.Image, other: Image.Image) -> tuple[float, float]:
    """How much two pages differ: the share of pixels that are far off, and the mean."""
    soft = [page.filter(ImageFilter.GaussianBlur(BLUR)) for page in (one, other)]
    off = ImageChops.difference(*soft)
    far = off.point(lambda grey: 255 if grey > MOST_OFF else 0)
    return ImageStat.Stat(far).mean[0] / 255, ImageStat.Stat(off).mean[0]


def alike(one: Image.Image, other: Image.Image) -> bool:
    """The pages are the same but for rounding."""
    share, mean = difference(one, other)
    return one.size == other.size and share <= MOST_SHARE and mean <= MOST_MEAN


def main() -> None:
    """Draw every page anew."""
    PAGES.mkdir(exist_ok=True)
    for paper in PAPERS:
        for old in PAGES.glob(f"{paper}-*.png"):
            old.unlink()
        for number, page in enumerate(drawn(paper, record()), 1):
            page.quantize(GREYS).save(PAGES / f"{paper}-{number}.png", optimize=True)


if __name__ == "__main__":
    import os

    import django

    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "shop.project.settings")
    django.setup()
    sys.exit(main())
