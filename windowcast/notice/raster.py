"""A laid-out picture as a PNG, for mail and whatever shows no SVG; needs the extra `picture`."""

from __future__ import annotations

import struct
import warnings
from collections.abc import Sequence
from functools import cache, lru_cache
from typing import TYPE_CHECKING, Any
from zlib import compress, crc32

from windowcast.notice.shapes import LIGHT, LOOKS, Area, Box, Dot, Line, Scene, Shape, Text

if TYPE_CHECKING:
    from matplotlib.font_manager import FontProperties
    from matplotlib.path import Path
    from matplotlib.transforms import Transform

BETWEEN = (0.4, 0.7)
"""How far from the ground to ink the shades for the smooth edges of letters are. With the colours
of the picture they are no more than sixteen, half a byte each."""
HALO = 3.5
SETTINGS = (
    "agg.path.chunksize", "path.simplify", "path.simplify_threshold", "path.sketch", "path.snap",
    "text.hinting", "text.hinting_factor", "text.kerning_factor",
)  # fmt: skip
"""Of the library's, those that say how lines and letters are drawn; a user's own are put aside."""


def png(scene: Scene, scale: float = 2, *, smooth: bool = True) -> bytes:
    """The picture in light colours, `scale` pixels for each CSS pixel, with a small palette.

    smooth:  the edges of letters are, which is a third of what it weighs

    The same bytes for the same scene.
    """
    import matplotlib
    from matplotlib.transforms import Affine2D
    from PIL import Image

    defaults: Any = matplotlib.rcParamsDefault
    usual: Any = {name: defaults[name] for name in SETTINGS if name in defaults}
    with warnings.catch_warnings(), matplotlib.rc_context():
        # A letter that the font lacks is drawn as a box.
        warnings.filterwarnings("ignore", "Glyph .* missing from font")
        # Some of the settings go away in later versions, which says so.
        warnings.filterwarnings("ignore", category=matplotlib.MatplotlibDeprecationWarning)
        matplotlib.rcParams.update(usual)
        # One inch is 72 CSS pixels here, so that points are pixels. Lines and letters go straight
        # to what draws them: figures and their artists take twice as long, with the same
        # pixels.
        canvas = _canvas(scene.width * scale, scene.height * scale, 72 * scale)
        # From CSS pixels, y downward, to those of the canvas.
        place = Affine2D().scale(1, -1).translate(0, scene.height).scale(scale)
        for one in (Box("ground", 0, 0, scene.width, scene.height), *scene.shapes):
            _draw(canvas, one, place, smooth=smooth)
        size = int(canvas.width), int(canvas.height)
        drawn = Image.frombuffer("RGBA", size, bytes(canvas.buffer_rgba()))
    colours = _palette()
    palette = Image.new("P", (1, 1))
    palette.putpalette([part for colour in colours for part in colour])
    few = drawn.convert("RGB").quantize(palette=palette, dither=Image.Dither.NONE)
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


def _draw(canvas: Any, one: Shape, place: Transform, *, smooth: bool) -> None:
    from matplotlib.path import Path
    from matplotlib.transforms import Affine2D

    if isinstance(one, Text):
        _text(canvas, one, place, smooth=smooth)
    elif isinstance(one, Line):
        _outline(canvas, one.look, Path(one.points), place)
    elif isinstance(one, Box):
        whole = Affine2D().scale(one.width, one.height).translate(one.x, one.y)
        _outline(canvas, one.look, Path.unit_rectangle(), whole + place)
    elif isinstance(one, Dot):
        whole = Affine2D().scale(one.radius).translate(one.x, one.y)
        _outline(canvas, one.look, Path.unit_circle(), whole + place, join="miter")
    else:
        assert isinstance(one, Area)
        _outline(canvas, one.look, Path([*one.points, one.points[0]], closed=True), place)


def _outline(canvas: Any, name: str, path: Path, place: Transform, *, join: str = "round") -> None:
    """A path drawn with the line of a look, and filled with its colour."""
    from matplotlib.colors import to_rgba

    look = LOOKS[name]
    pen = canvas.new_gc()
    pen.set_linewidth(look.width if look.stroke else 0)
    pen.set_foreground(to_rgba(LIGHT[look.stroke] if look.stroke else "none"), isRGBA=True)
    pen.set_dashes(0, look.dash or None)
    pen.set_capstyle("butt")
    pen.set_joinstyle(join)
    canvas.draw_path(pen, path, place, to_rgba(LIGHT[look.fill], look.solid) if look.fill else None)


def _text(canvas: Any, one: Text, place: Transform, *, smooth: bool) -> None:
    from matplotlib.colors import to_rgba
    from matplotlib.patheffects import PathEffectRenderer, withStroke

    look, font = LOOKS[one.look], _font(one.size, bold=one.bold)
    pen = canvas.new_gc()
    pen.set_foreground(to_rgba(LIGHT[look.fill]), isRGBA=True)
    pen.set_antialiased(smooth)
    x, y = place.transform((one.x, one.y))
    if one.anchor != "start":
        width = _width(one.text, one.size, one.bold, canvas.dpi)
        x -= width / 2 if one.anchor == "middle" else width
    rim = [withStroke(linewidth=HALO, foreground=LIGHT["ground"])]
    writer = PathEffectRenderer(rim, canvas) if look.halo else canvas
    writer.draw_text(pen, x, canvas.height - y, one.text, font, 0, ismath=False)


def _canvas(width: float, height: float, dpi: float) -> Any:
    """Of so many pixels; the library has no types for it."""
    from matplotlib.backends.backend_agg import RendererAgg

    return RendererAgg(width, height, dpi)  # type: ignore[no-untyped-call]


@lru_cache(maxsize=4096)
def _width(text: str, size: float, bold: bool, dpi: float) -> float:
    """Pixels; a picture's days and degrees are those of the next one."""
    width, _, _ = _canvas(1, 1, dpi).get_text_width_height_descent(
        text, _font(size, bold=bold), ismath=False
    )
    return float(width)


@cache
def _font(size: float, *, bold: bool) -> FontProperties:
    from matplotlib.font_manager import FontProperties

    # It comes with the library, so that widths are known.
    return FontProperties(
        family=["DejaVu Sans"],
        style="normal",
        variant="normal",
        stretch="normal",
        size=size,
        weight="bold" if bold else "normal",
    )
