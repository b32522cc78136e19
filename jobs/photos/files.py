"""A picture as it was sent, made safe to keep: checked, turned upright, stripped, shrunk.

Nothing of the file that came in is kept but its pixels: it is encoded again as JPEG in sRGB, so
place, camera and any hidden part are gone.

A small file can hold a picture that takes gigabytes to decode. So its stated size is bounded, a
JPEG is decoded at the reduced scale it is kept at, one picture is decoded at a time in a process,
and the memory it took is given back.
"""

import ctypes
import io
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Final, Protocol

from django.utils.translation import gettext
from PIL import Image, ImageCms, ImageFile, ImageOps, UnidentifiedImageError

from jobs import wording
from jobs.errors import Busy, Refused

MOST_BYTES: Final = 25 * 1024 * 1024
MOST_PIXELS: Final = 50_000_000
"""Of a JPEG decoded at a reduced scale: the full picture of a phone's camera."""
MOST_PIXELS_WHOLE: Final = 16_000_000
"""Of a picture that has to be decoded whole: a screenshot of a large screen."""
MOST_WAITING: Final = 3
"""Pictures that wait for the one being decoded: each holds a thread that could serve a page."""
LONG_SIDE: Final = 2560
THUMBNAIL_SIDE: Final = 400
FORMATS: Final = ("JPEG", "PNG", "WEBP")

_HEIC_BRANDS: Final = frozenset({b"heic", b"heix", b"hevc", b"heim", b"heis", b"mif1", b"msf1"})
_HEIC: Final = (
    "This picture is in HEIC format, which cannot be read here. Set the camera to save JPEG "
    "(many devices call it “most compatible”), or send a screenshot of the picture."
)
_TYPE: Final = "This file is no picture that can be read here. Send a JPEG, PNG or WebP picture."
_PIXELS: Final = (
    f"This picture has more pixels than can be taken: a plain JPEG has at most "
    f"{MOST_PIXELS // 1_000_000} million pixels, any other picture "
    f"{MOST_PIXELS_WHOLE // 1_000_000} million pixels. Send it smaller."
)
_BROKEN: Final = "This picture is damaged or did not arrive whole. Take it again or send it again."


@dataclass(frozen=True)
class Picture:
    """An upright JPEG without metadata, its thumbnail, and its size in pixels."""

    jpeg: bytes
    thumbnail: bytes
    width: int
    height: int


class Readable(Protocol):
    """An upload or an open file."""

    def read(self) -> bytes: ...


def read_picture(file: Readable, size_bytes: int) -> Picture:
    """The picture in an uploaded file. Raises Refused, saying what to do instead, or Busy."""
    if size_bytes > MOST_BYTES:
        raise Refused(
            gettext("This file has %(size_bytes)s; at most %(most)s MB are taken. Send it smaller.")
            % {"size_bytes": wording.megabytes(size_bytes), "most": MOST_BYTES // 1024 // 1024}
        )
    data = file.read()
    if data[4:8] == b"ftyp" and data[8:12] in _HEIC_BRANDS:
        raise Refused(_HEIC)
    # The PDF renderer switches this on for the whole process: a photo cut short would pass.
    ImageFile.LOAD_TRUNCATED_IMAGES = False
    try:
        with _one_at_a_time():
            return _encode(_open(data))
    except UnidentifiedImageError:
        raise Refused(_TYPE) from None
    except Image.DecompressionBombError:
        raise Refused(_PIXELS) from None
    except (OSError, SyntaxError, ValueError):
        raise Refused(_BROKEN) from None


_places: Final = threading.BoundedSemaphore(1 + MOST_WAITING)
_decoder: Final = threading.Lock()


@contextmanager
def _one_at_a_time() -> Iterator[None]:
    """Wait for the decoder; Busy when enough pictures wait already."""
    if not _places.acquire(blocking=False):
        raise Busy("Other pictures are being kept: this one has to be sent again in a moment.")
    try:
        with _decoder:
            try:
                yield
            finally:
                _give_memory_back()
    finally:
        _places.release()


def _give_memory_back() -> None:
    """glibc keeps what was freed for the next picture, which may never come."""
    trim = getattr(ctypes.CDLL(None), "malloc_trim", None)
    if trim is not None:
        trim(0)


def _open(data: bytes) -> Image.Image:
    """The picture, not yet decoded; its stated size is looked at before any pixel is."""
    with Image.open(io.BytesIO(data), formats=FORMATS) as probe:
        width, height = probe.size
        whole = probe.format != "JPEG" or _in_passes(data)
        if width * height > (MOST_PIXELS_WHOLE if whole else MOST_PIXELS):
            raise Refused(_PIXELS)
        probe.verify()
    return Image.open(io.BytesIO(data), formats=FORMATS)


def _in_passes(data: bytes) -> bool:
    """Whether a JPEG comes in several scans: its decoder then holds all of it at full size.

    That is a progressive one, or one whose first scan lacks a colour (ITU-T T.81, B.2).
    """
    at, colours = 2, 0
    while at + 10 <= len(data) and data[at] == 0xFF:
        marker, size = data[at + 1], int.from_bytes(data[at + 2 : at + 4], "big")
        if marker == 0xFF:
            at += 1
            continue
        if marker == 0xDA:
            return data[at + 4] < colours
        if 0xC0 <= marker <= 0xCF and marker not in {0xC4, 0xC8, 0xCC}:
            if marker not in {0xC0, 0xC1}:
                return True
            colours = data[at + 9]
        at += 2 + size
    return True


def _encode(image: Image.Image) -> Picture:
    width, height = image.size
    shrink = min(1.0, LONG_SIDE / max(width, height))
    image.draft("RGB", (max(1, int(width * shrink)), max(1, int(height * shrink))))
    image = _of_whole_colours(image)
    image.thumbnail((LONG_SIDE, LONG_SIDE), Image.Resampling.LANCZOS)
    image = _on_white(_in_srgb(ImageOps.exif_transpose(image)))
    small = image.copy()
    small.thumbnail((THUMBNAIL_SIDE, THUMBNAIL_SIDE), Image.Resampling.LANCZOS)
    return Picture(jpeg(image, 85), jpeg(small, 78), image.width, image.height)


def _of_whole_colours(image: Image.Image) -> Image.Image:
    """Colours that can be blended, which a palette's numbers or a colour left out cannot."""
    if "transparency" in image.info:
        return image.convert("RGBA")
    if image.mode in {"L", "LA", "RGB", "RGBA", "CMYK"}:
        return image
    return image.convert("RGB")


def _in_srgb(image: Image.Image) -> Image.Image:
    """Colours as a screen without colour management shows them right."""
    profile = image.info.get("icc_profile")
    if not profile or image.mode not in {"RGB", "RGBA"}:
        return image
    try:
        source = ImageCms.ImageCmsProfile(io.BytesIO(profile))
        turned = ImageCms.profileToProfile(image, source, ImageCms.createProfile("sRGB"))
    except (ImageCms.PyCMSError, OSError):
        return image
    return turned or image


def _on_white(image: Image.Image) -> Image.Image:
    if image.mode in {"RGBA", "LA"}:
        image = image.convert("RGBA")
        ground = Image.new("RGB", image.size, "white")
        ground.paste(image, mask=image.getchannel("A"))
        return ground
    return image.convert("RGB")


def jpeg(image: Image.Image, quality: int) -> bytes:
    """The pixels as JPEG, and nothing else."""
    bare = image.copy()
    bare.info = {}
    out = io.BytesIO()
    bare.save(out, "JPEG", quality=quality, optimize=True)
    return out.getvalue()
