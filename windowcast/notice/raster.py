"""A laid-out picture as a PNG, for mail and whatever shows no SVG; needs the extra `picture`."""

from __future__ import annotations

import warnings
from io import BytesIO
from typing import TYPE_CHECKING, Any

from windowcast.notice.shapes import LIGHT, LOOKS, Area, Box, Dot, Line, Scene, Shape, Text

if TYPE_CHECKING:
    from matplotlib.figure import Figure

COLOURS = 24
"""In the palette of a PNG: those of the picture, and what smooth edges need between them."""
HALO = 3.5
STYLE: Any = {
    "font.family": ["DejaVu Sans", "sans-serif"],
    "font.sans-serif": ["DejaVu Sans", "sans-serif"],
    # A dollar sign in a yard's name is a dollar sign.
    "text.parse_math": False,
}


def png(scene: Scene, scale: float = 2) -> bytes:
    """The picture in light colours, `scale` pixels for each CSS pixel, with a small palette.

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
        matplotlib.rcParams.update(STYLE)
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
    out = BytesIO()
    flat.quantize(colors=COLOURS, dither=Image.Dither.NONE).save(out, "PNG", optimize=True)
    return out.getvalue()


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
