"""The PNG of a picture against the same shapes as the library's own figure draws them."""

from __future__ import annotations

import os
import subprocess
import sys
from io import BytesIO
from pathlib import Path

import matplotlib
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Circle, Polygon, Rectangle
from matplotlib.patheffects import withStroke
from matplotlib.transforms import Affine2D
from PIL import Image, ImageChops

from windowcast.notice import raster
from windowcast.notice.shapes import LIGHT, LOOKS, Area, Box, Dot, Line, Scene, Shape, Text

ROOT = Path(__file__).resolve().parents[2]
WIDTH, HEIGHT = 90, 61.5
LINE = ((10.0, 50.2), (40.5, 12.0), (80.0, 40.0))
SHAPES: dict[str, Shape] = {
    "line": Line("forecast", LINE),
    "dashes": Line("edge", LINE),
    "box": Box("band", 12.5, 9.0, 60.3, 40.0),
    "half a box": Box("normal", 12.5, 9.0, 60.3, 40.0),
    "area": Area("range90", LINE),
    "dot": Dot("observed", 40.25, 30.5, 9.0),
    "rim": Dot("visit", 40.25, 30.5, 9.0),
    "start": Text("text", 45.0, 40.0, "Mon 31", size=13, anchor="start"),
    "middle": Text("text-danger", 45.0, 40.0, "Mon 31", size=13, anchor="middle"),
    "end": Text("text-quiet", 85.0, 40.0, "19,5 \N{DEGREE SIGN}C", size=12, anchor="end"),
    "bold": Text("text", 45.0, 40.0, "$Oak$", size=13, anchor="middle", bold=True),
    "halo": Text("text-halo", 45.0, 40.0, "Elm", size=15, anchor="middle"),
}


def as_a_figure(one: Shape, scale: float, *, smooth: bool) -> Image.Image:
    """By the library's own artists on a figure, as its handbook has it."""
    style = {"font.family": ["DejaVu Sans"], "text.parse_math": False, "text.antialiased": smooth}
    with matplotlib.rc_context(style):
        figure = Figure(figsize=(WIDTH / 72, HEIGHT / 72), dpi=72 * scale, facecolor="white")
        canvas = FigureCanvasAgg(figure)
        place = Affine2D().scale(1, -1).translate(0, HEIGHT).scale(scale)
        look = LOOKS[one.look]
        stroke = LIGHT[look.stroke] if look.stroke else "none"
        how = {
            "facecolor": (LIGHT[look.fill], look.solid) if look.fill else "none",
            "edgecolor": stroke, "linewidth": look.width if look.stroke else 0, "transform": place,
        }  # fmt: skip
        if isinstance(one, Text):
            x, y = place.transform((one.x, one.y))
            text = figure.text(
                x, y, one.text, fontsize=one.size, color=LIGHT[look.fill], transform=None,
                fontweight="bold" if one.bold else "normal", va="baseline",
                ha={"start": "left", "middle": "center", "end": "right"}[one.anchor],
            )  # fmt: skip
            if look.halo:
                text.set_path_effects([withStroke(linewidth=raster.HALO, foreground="white")])
        elif isinstance(one, Line):
            dash = (0, [part / look.width for part in look.dash]) if look.dash else "-"
            figure.add_artist(Line2D(
                *zip(*one.points, strict=True), color=stroke, linewidth=look.width, linestyle=dash,
                transform=place, solid_capstyle="butt", dash_capstyle="butt",
                solid_joinstyle="round",
            ))  # fmt: skip
        elif isinstance(one, Box):
            corner = (one.x, one.y)
            figure.add_artist(Rectangle(corner, one.width, one.height, joinstyle="round", **how))
        elif isinstance(one, Dot):
            figure.add_artist(Circle((one.x, one.y), one.radius, **how))
        else:
            figure.add_artist(Polygon(one.points, closed=True, joinstyle="round", **how))
        canvas.draw()
        size = canvas.get_width_height()
        return Image.frombuffer("RGBA", size, bytes(canvas.buffer_rgba())).convert("RGB")


@pytest.mark.parametrize("smooth", [True, False])
@pytest.mark.parametrize("scale", [1.5, 2])
@pytest.mark.parametrize("name", SHAPES)
def test_a_shape_has_the_pixels_of_the_same_shape_on_a_figure(
    name: str, scale: float, *, smooth: bool
):
    """With the few colours of the picture, the nearest for each pixel."""
    one = SHAPES[name]

    drawn = Image.open(
        BytesIO(raster.png(Scene(WIDTH, HEIGHT, "", "", (one,), ()), scale, smooth=smooth))
    )

    palette = Image.new("P", (1, 1))
    palette.putpalette([part for colour in raster._palette() for part in colour])
    meant = as_a_figure(one, scale, smooth=smooth)
    meant = meant.quantize(palette=palette, dither=Image.Dither.NONE).convert("RGB")
    assert drawn.size == meant.size
    assert ImageChops.difference(drawn.convert("RGB"), meant).getbbox() is None
    assert len(meant.getcolors() or ()) > 1


def test_a_users_own_settings_of_the_library_change_nothing(tmp_path: Path):
    (tmp_path / "matplotlibrc").write_text(
        "font.style: italic\nfont.stretch: condensed\nfont.weight: bold\nfont.size: 30\n"
        "path.snap: False\ntext.hinting: none\nlines.linewidth: 9\npatch.linewidth: 9\n"
    )
    code = (
        "import sys; from notice import test_raster as t; from windowcast.notice import raster\n"
        "scene = t.Scene(t.WIDTH, t.HEIGHT, '', '', tuple(t.SHAPES.values()), ())\n"
        "sys.stdout.buffer.write(raster.png(scene))"
    )
    seen = [
        subprocess.run(
            [sys.executable, "-c", code],
            cwd=ROOT / "tests",
            capture_output=True,
            check=True,
            env={**os.environ, "PYTHONPATH": f"{ROOT}{os.pathsep}{ROOT / 'tests'}", **own},
        ).stdout
        for own in ({}, {"MATPLOTLIBRC": str(tmp_path)})
    ]

    assert seen[0][:4] == b"\x89PNG"
    assert seen[0] == seen[1]
