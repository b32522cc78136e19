"""A scribble that stands for a signature, as the PNG data URL a tablet would send."""

import base64
import io
import math
import zlib

from PIL import Image, ImageDraw

WIDTH, HEIGHT = 480, 140
STEPS = 500


def scribble(name: str) -> str:
    """A line that waves as the name's letters do: the same for the same name."""
    seed = zlib.crc32(name.encode())
    image = Image.new("RGBA", (WIDTH, HEIGHT), (255, 255, 255, 0))
    points = []
    for step in range(STEPS):
        along = step / (STEPS - 1)
        place = along * (len(name) - 1)
        index = min(int(place), len(name) - 2)
        here, following = (10 + (ord(name[at]) * 7 + seed) % 30 for at in (index, index + 1))
        height = here + (following - here) * (place - index)
        turn = along * len(name) * 5.1 + seed % 7
        x = 30 + along * (WIDTH - 90) + 12 * math.cos(turn)
        y = HEIGHT * 0.55 - height * math.sin(turn) * (1 - 0.6 * along)
        points.append((x, y))
    ImageDraw.Draw(image).line(points, fill=(20, 26, 40, 255), width=3, joint="curve")
    buffer = io.BytesIO()
    image.quantize(8).save(buffer, "PNG", optimize=True)
    return "data:image/png;base64," + base64.b64encode(buffer.getvalue()).decode()
