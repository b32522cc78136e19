"""Reading a table out of a CSV or .xlsx file that may be hostile, and writing one that is harmless.

A cell is text from here on: a number as `1.5` (a point, no grouping), a tick as `Yes` or `No`.
Formulas are read as the value the spreadsheet program kept for them.
"""

import csv
import io
import re
import zipfile
from collections.abc import Iterable, Iterator, Sequence
from contextlib import closing
from datetime import date, time
from itertools import islice
from typing import Any, Final

import msgspec

MOST_BYTES: Final = 2 * 1024 * 1024
MOST_UNPACKED_BYTES: Final = 40 * 1024 * 1024
MOST_PARTS: Final = 500
MOST_ROWS: Final = 3000
MOST_LINES: Final = 20_000
MOST_COLUMNS: Final = 120
MOST_CHARACTERS: Final = 5000

Cell = str | int | float | bool | None

_DELIMITERS: Final = (",", ";", "\t")
_OLD_EXCEL: Final = b"\xd0\xcf\x11\xe0"
_CONTROLS: Final = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f\ufffe\uffff]")
_STARTS_A_FORMULA: Final = re.compile(r"'*[=+\-@\t\r\n]")
_DECIMAL_COMMA: Final = re.compile(r"\d+,\d+|\d+,\d+ ?%")
_DECIMAL_POINT: Final = re.compile(r"\d+\.\d+|\d+\.\d+ ?%")


class UnreadableFile(ValueError):
    """Why a file is not taken, as a sentence that says what to do."""


class Row(msgspec.Struct, frozen=True):
    """One row: where it stands in the file, counted from 1, and its cells."""

    number: int
    cells: tuple[str, ...]


class Table(msgspec.Struct, frozen=True):
    """Headings and the rows below them, each as long as the headings; empty rows are left out."""

    headings: tuple[str, ...]
    rows: tuple[Row, ...]
    decimal_comma: bool = False


def read_table(data: bytes) -> Table:
    """The table in a CSV or .xlsx file. Raises UnreadableFile."""
    if len(data) > MOST_BYTES:
        raise UnreadableFile(
            f"This file is larger than {MOST_BYTES // 1024**2} MB: split it, or save it without "
            "pictures."
        )
    if not data.strip():
        raise UnreadableFile("This file is empty: choose another.")
    if data.startswith(_OLD_EXCEL):
        raise UnreadableFile("This is an old .xls file: save it as .xlsx or .csv and choose that.")
    if data.startswith(b"PK"):
        return _table(_xlsx_rows(data), comma=False)
    return _csv_table(data)


def _table(rows: Iterable[Sequence[str]], comma: bool | None) -> Table:
    """The sheet in numbered rows; the first row with anything in it holds the headings.

    With `comma` None the decimal mark is taken from the cells.
    """
    headings: tuple[str, ...] = ()
    kept: list[Row] = []
    for number, cells in enumerate(rows, 1):
        filled = max((place for place, cell in enumerate(cells, 1) if cell), default=0)
        if filled > MOST_COLUMNS:
            raise UnreadableFile(f"This file has more than {MOST_COLUMNS} columns: take some out.")
        if not filled:
            continue
        if not headings:
            headings = tuple(" ".join(cell.split()) for cell in cells[:filled])
            continue
        if len(kept) == MOST_ROWS:
            raise UnreadableFile(f"This file has more than {MOST_ROWS} rows: split it.")
        beyond = [cell for cell in cells[len(headings) :] if cell]
        if beyond:
            raise UnreadableFile(
                f"Row {number} has more cells than there are headings, from “{beyond[0][:40]}” on: "
                "give each column a heading in the first row."
            )
        full = (*cells[: len(headings)], *[""] * (len(headings) - len(cells)))
        kept.append(Row(number, full))
    if not headings:
        raise UnreadableFile("This file is empty: choose another.")
    if not kept:
        raise UnreadableFile("This file has headings and no rows below them.")
    if comma is None:
        comma = _uses_comma(kept)
    return Table(headings, tuple(kept), comma)


def table_of(headings: Sequence[str], rows: Iterable[Sequence[str]]) -> Table:
    """The table that a program sends, its numbers with a point. Raises UnreadableFile."""
    return _table(([_plain(cell) for cell in row] for row in (headings, *rows)), comma=False)


def _uses_comma(rows: list[Row]) -> bool:
    texts = [cell for row in rows[:200] for cell in row.cells]
    commas = sum(bool(_DECIMAL_COMMA.fullmatch(text)) for text in texts)
    return commas > sum(bool(_DECIMAL_POINT.fullmatch(text)) for text in texts)


def _plain(text: str) -> str:
    """A cell as text: no control characters, blanks at its ends or mark of a harmless text."""
    text = _CONTROLS.sub("", text).strip()
    if text.startswith("'") and _STARTS_A_FORMULA.match(text):
        text = text[1:]
    if len(text) > MOST_CHARACTERS:
        raise UnreadableFile(f"A cell is longer than {MOST_CHARACTERS} characters: shorten it.")
    return text


# CSV ---------------------------------------------------------------------------------------------


def _csv_table(data: bytes) -> Table:
    text = _decoded(data)
    if "\x00" in text:
        raise UnreadableFile("This is neither text nor a spreadsheet: save it as .xlsx or .csv.")
    delimiter = _delimiter(text)
    if named := re.match(r"sep=([,;\t])\r?\n", text, re.IGNORECASE):
        delimiter, text = named[1], text[named.end() :]
    try:
        rows = [[_plain(cell) for cell in row] for row in _csv_rows(text, delimiter)]
    except csv.Error as error:
        raise UnreadableFile(f"This file cannot be read as CSV: {error}.") from error
    return _table(rows, comma=None)


def _csv_rows(text: str, delimiter: str) -> Iterator[list[str]]:
    return csv.reader(io.StringIO(text, newline=""), delimiter=delimiter)


def _decoded(data: bytes) -> str:
    encodings = ("utf-16",) if data[:2] in (b"\xff\xfe", b"\xfe\xff") else ("utf-8-sig", "cp1252")
    for encoding in encodings:
        try:
            return data.decode(encoding)
        except UnicodeDecodeError:
            continue
    raise UnreadableFile("The letters of this file cannot be read: save it as CSV in UTF-8.")


def _delimiter(text: str) -> str:
    """The mark that parts the first rows into the most columns, and all into as many."""

    def fit(delimiter: str) -> tuple[int, int]:
        try:
            rows = list(islice(filter(any, _csv_rows(text, delimiter)), 20))
        except csv.Error:
            return (0, 0)
        widths = [len(row) for row in rows]
        alike = sum(width == widths[0] for width in widths) if widths else 0
        return (widths[0] if widths else 0, alike)

    return max(_DELIMITERS, key=fit)


# .xlsx -------------------------------------------------------------------------------------------


def _xlsx_rows(data: bytes) -> list[list[str]]:
    """Rows of the first worksheet; the sizes inside are checked before anything is unpacked."""
    from openpyxl import load_workbook

    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            parts = archive.infolist()
    except zipfile.BadZipFile as error:
        raise UnreadableFile("This spreadsheet is damaged: save it again as .xlsx.") from error
    unpacked = sum(part.file_size for part in parts)
    if len(parts) > MOST_PARTS or unpacked > MOST_UNPACKED_BYTES:
        raise UnreadableFile(
            "This spreadsheet unpacks to more than a product list ever needs: save only the list, "
            "as .csv."
        )
    try:
        book = load_workbook(io.BytesIO(data), read_only=True, data_only=True, keep_links=False)
        with closing(book):
            sheet = next(iter(book.worksheets), None)
            if sheet is None:
                raise UnreadableFile("This spreadsheet has no worksheet.")
            sheet.reset_dimensions()
            rows: list[list[str]] = []
            for row in sheet.iter_rows(max_col=MOST_COLUMNS + 1, values_only=True):
                if len(rows) == MOST_LINES:
                    raise UnreadableFile(
                        f"This worksheet goes on below row {MOST_LINES}: delete the empty rows "
                        "under the list, then save it again."
                    )
                rows.append([_plain(as_cell_text(cell)) for cell in row])
            return rows
    except UnreadableFile:
        raise
    # Whatever a crafted file makes the reader raise, it is one answer: not readable.
    except Exception as error:
        raise UnreadableFile(
            "This spreadsheet cannot be read: save it again as .xlsx, or as .csv."
        ) from error


def as_cell_text(value: Any) -> str:
    """A value as text: a tick as Yes or No, a number with a point."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "Yes" if value else "No"
    if isinstance(value, float):
        return number_text(value)
    if isinstance(value, date | time):
        return value.isoformat()
    return str(value)


def number_text(value: float) -> str:
    """The shortest text that reads back as the same number, without a needless .0.

    Spreadsheet programs keep 15 digits, so 0.1 + 0.2 comes out of one as 0.3.
    """
    short = f"{value:.15g}"
    return short if float(short) == value else repr(value)


# Writing -----------------------------------------------------------------------------------------


def harmless(text: str) -> str:
    """A text that no spreadsheet program takes for a formula; reading takes the mark off again."""
    text = _CONTROLS.sub("", text)
    return f"'{text}" if _STARTS_A_FORMULA.match(text) else text


def csv_bytes(rows: Iterable[Sequence[Cell]]) -> bytes:
    """Comma-separated UTF-8 with the mark that makes spreadsheet programs see it is UTF-8."""
    out = io.StringIO(newline="")
    writer = csv.writer(out)
    for row in rows:
        writer.writerow([_written(cell) for cell in row])
    return out.getvalue().encode("utf-8-sig")


def _written(cell: Cell) -> str:
    return harmless(cell) if isinstance(cell, str) else as_cell_text(cell)


def xlsx_bytes(sheets: dict[str, Iterable[Sequence[Cell]]]) -> bytes:
    """A workbook of the given sheets, each with a row of headings that stays in sight."""
    from openpyxl import Workbook
    from openpyxl.cell import WriteOnlyCell
    from openpyxl.styles import Font
    from openpyxl.utils import get_column_letter

    book = Workbook(write_only=True)
    for title, rows in sheets.items():
        kept = [list(row) for row in rows]
        sheet = book.create_sheet(title)
        sheet.freeze_panes = "A2"
        for place in range(len(kept[0])):
            width = max(len(as_cell_text(row[place])) for row in kept[:100])
            letter = get_column_letter(place + 1)
            sheet.column_dimensions[letter].width = min(max(width, 8), 60) + 2
        for number, row in enumerate(kept):
            cells = []
            for cell in row:
                written = WriteOnlyCell(sheet, harmless(cell) if isinstance(cell, str) else cell)
                if number == 0:
                    written.font = Font(bold=True)
                cells.append(written)
            sheet.append(cells)
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()
