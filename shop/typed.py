"""Reading what arrives as text in an address or a form."""

LARGEST = 2**63 - 1


def whole(text: str | None) -> int | None:
    """A whole number of plain digits, or None for anything else."""
    text = (text or "").strip()
    if not (text.isascii() and text.isdigit() and len(text) <= len(str(LARGEST))):
        return None
    number = int(text)
    return number if number <= LARGEST else None


def line(text: str | None) -> str:
    """Text without the ends' blanks and without NUL, which no database keeps."""
    return (text or "").replace("\x00", "").strip()
