"""The shop's logo for its papers: read once, and kept small as a PNG that holds nothing else."""

import base64
import io
from typing import Any, Final

from django.core.exceptions import ValidationError
from django.utils.translation import gettext as _
from PIL import Image, UnidentifiedImageError

MOST_BYTES: Final = 5_000_000
MOST_PIXELS: Final = 16_000_000
WIDTH: Final = 900
HEIGHT: Final = 300
MOST_KEPT: Final = 90_000
COLOURS: Final = (0, 256, 64)
"""Tried one after another until it is small enough; none is as it came."""


def data_url(file: Any) -> str:
    """The picture as a `data:` URL. Raises ValidationError with what to do."""
    if file.size > MOST_BYTES:
        raise ValidationError(_("The picture is larger than 5 MB: send a smaller one."))
    try:
        with Image.open(file, formats=("PNG", "JPEG", "WEBP")) as opened:
            if opened.width * opened.height > MOST_PIXELS:
                raise ValidationError(_("The picture has too many pixels: send a smaller one."))
            picture = opened.convert("RGBA")
    except (UnidentifiedImageError, OSError, ValueError, SyntaxError):
        raise ValidationError(_("This is no PNG, JPEG or WebP picture that can be read.")) from None
    picture.thumbnail((WIDTH, HEIGHT), Image.Resampling.LANCZOS)
    for colours in COLOURS:
        kept = _png(picture.quantize(colours) if colours else picture)
        if len(kept) <= MOST_KEPT:
            return f"data:image/png;base64,{base64.b64encode(kept).decode()}"
    raise ValidationError(_("A photograph makes every paper too large: send a plain drawing."))


def _png(picture: Image.Image) -> bytes:
    file = io.BytesIO()
    picture.save(file, "PNG", optimize=True)
    return file.getvalue()
