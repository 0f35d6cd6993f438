"""A laid-out picture as a PNG, for mail and whatever shows no SVG; needs the extra `picture`."""

from __future__ import annotations

import struct
import warnings
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any
from zlib import compress, crc32

from windowcast.notice.shapes import LIGHT, LOOKS, Area, Box, Dot, Line, Scene, Shape, Text

if TYPE_CHECKING:
    from matplotlib.figure import Figure

BETWEEN = (0.4, 0.7)
"""How far from the ground to ink the shades for the smooth edges of letters are. With the colours
of the picture they are no more than sixteen, half a byte each."""
HALO = 3.5
STYLE: Any = {
    "font.family": ["DejaVu Sans", "sans-serif"],
    "font.sans-serif": ["DejaVu Sans", "sans-serif"],
    # A dollar sign in a yard's name is a dollar sign.
    "text.parse_math": False,
}


def png(scene: Scene, scale: float = 2, *, smooth: bool = True) -> bytes:
    """The picture in light colours, `scale` pixels for each CSS pixel, with a small palette.

    smooth:  the edges of letters are, which is a third of what it weighs

    The same bytes for the same scene.
    """
    import matplotlib
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure
    from PIL import Image

    with matplotlib.rc_context(), warnings.catch_warnings():
        # A letter that the font lacks is drawn as a box.
        warnings.filterwarnings("ignore", "Glyph .* missing from font")
        matplotlib.rcdefaults()
        matplotlib.rcParams.update(STYLE | {"text.antialiased": smooth})
        # One inch is 72 CSS pixels here, so that points are pixels.
        figure = Figure(figsize=(scene.width / 72, scene.height / 72), dpi=72 * scale)
        canvas = FigureCanvasAgg(figure)
        for order, one in enumerate(scene.shapes):
            _draw(figure, one, scene, order)
        canvas.draw()  # type: ignore[no-untyped-call]
        pixels = bytes(canvas.buffer_rgba())  # type: ignore[no-untyped-call]
        drawn = Image.frombuffer("RGBA", canvas.get_width_height(), pixels)
    flat = Image.new("RGB", drawn.size, LIGHT["ground"])
    flat.paste(drawn, mask=drawn.getchannel("A"))
    colours = _palette()
    palette = Image.new("P", (1, 1))
    palette.putpalette([part for colour in colours for part in colour])
    few = flat.quantize(palette=palette, dither=Image.Dither.NONE)
    return _file(few.size, few.tobytes("raw", "P;4"), colours)


def _file(size: tuple[int, int], rows: bytes, colours: Sequence[Sequence[int]]) -> bytes:
    """A PNG of two pixels a byte (W3C PNG specification, 5 and 11.2).

    Written here because this compresses a fifth better than the library's own writing.
    """
    length = (size[0] + 1) // 2
    unfiltered = b"".join(b"\0" + rows[at : at + length] for at in range(0, len(rows), length))

    def chunk(name: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + name + body + struct.pack(">I", crc32(name + body))

    return b"".join(
        [
            b"\x89PNG\r\n\x1a\n",
            chunk(b"IHDR", struct.pack(">IIBBBBB", *size, 4, 3, 0, 0, 0)),
            chunk(b"PLTE", bytes(part for colour in colours for part in colour)),
            chunk(b"IDAT", compress(unfiltered, 9)),
            chunk(b"IEND", b""),
        ]
    )


def _palette() -> list[tuple[int, ...]]:
    """The colours of the picture, the usual range as it comes out on the ground, and shades."""
    named = {
        name: tuple(int(colour[at : at + 2], 16) for at in (1, 3, 5))
        for name, colour in LIGHT.items()
    }

    def between(name: str, share: float) -> tuple[int, ...]:
        pairs = zip(named["ground"], named[name], strict=True)
        return tuple(round(low + share * (high - low)) for low, high in pairs)

    usual = LOOKS["normal"]
    found = [*named.values(), between(usual.fill, usual.solid)]
    return found + [between("ink", share) for share in BETWEEN]


def _draw(figure: Figure, one: Shape, scene: Scene, order: int) -> None:
    from matplotlib.lines import Line2D
    from matplotlib.patches import Circle, Polygon, Rectangle
    from matplotlib.transforms import Affine2D

    look = LOOKS[one.look]
    # From CSS pixels, y downward, to those of the canvas.
    place = Affine2D().scale(1, -1).translate(0, scene.height).scale(figure.dpi / 72)
    fill = LIGHT[look.fill] if look.fill else "none"
    stroke = LIGHT[look.stroke] if look.stroke else "none"
    if isinstance(one, Text):
        _text(figure, one, place, order)
        return
    dash: Any = (0, tuple(length / look.width for length in look.dash)) if look.dash else "-"
    if isinstance(one, Line):
        xs, ys = zip(*one.points, strict=True)
        line = Line2D(
            xs, ys, color=stroke, linewidth=look.width, linestyle=dash, transform=place,
            solid_capstyle="butt", dash_capstyle="butt", solid_joinstyle="round", zorder=order,
        )  # fmt: skip
        figure.add_artist(line)
        return
    how: Any = {
        "facecolor": (fill, look.solid) if look.fill else "none",
        "edgecolor": stroke,
        "linewidth": look.width if look.stroke else 0,
        "transform": place,
        "zorder": order,
        "joinstyle": "round",
    }
    patch: Any
    if isinstance(one, Box):
        patch = Rectangle((one.x, one.y), one.width, one.height, **how)
    elif isinstance(one, Dot):
        del how["joinstyle"]
        patch = Circle((one.x, one.y), one.radius, **how)
    else:
        assert isinstance(one, Area)
        patch = Polygon(one.points, closed=True, **how)
    figure.add_artist(patch)


def _text(figure: Figure, one: Text, place: Any, order: int) -> None:
    from matplotlib.patheffects import withStroke

    look = LOOKS[one.look]
    x, y = place.transform((one.x, one.y))
    letters = figure.text(
        x, y, one.text, fontsize=one.size, color=LIGHT[look.fill],
        fontweight="bold" if one.bold else "normal", va="baseline",
        ha={"start": "left", "middle": "center", "end": "right"}[one.anchor],
        transform=None, zorder=order,
    )  # fmt: skip
    if look.halo:
        letters.set_path_effects([withStroke(linewidth=HALO, foreground=LIGHT["ground"])])
