"""A laid-out picture as an SVG that a page can style: no script, no style, nothing from elsewhere.

Colours stand as presentation attributes, which any rule of a page's own style sheet overrides;
`stylesheet` gives such rules, with one custom property for each colour, light and dark.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from xml.sax.saxutils import escape, quoteattr

from windowcast.notice.shapes import (
    DARK,
    LIGHT,
    LOOKS,
    Area,
    Box,
    Column,
    Dot,
    Line,
    Look,
    Scene,
    Shape,
    Text,
)

FONT = "system-ui, sans-serif"
HALO = 3.5


def svg(scene: Scene, *, identity: str) -> str:
    """The picture as an `svg` element, for a page as it stands and for a file.

    identity:  distinguishes its ids from those of other pictures on the page; letters, digits and
               hyphens

    Its size is that of the scene; a page may set the width, and the height follows.
    """
    if not identity.replace("-", "").isalnum() or not identity.isascii():
        raise ValueError(f"identity is {identity!r}, but must be letters, digits and hyphens")
    size = f'width="{_number(scene.width)}" height="{_number(scene.height)}"'
    view = f'viewBox="0 0 {_number(scene.width)} {_number(scene.height)}"'
    names = f'aria-labelledby="{identity}-title" aria-describedby="{identity}-desc"'
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" class="wc-picture" {size} {view} role="img"'
        f" {names} font-family={quoteattr(FONT)}>",
        f'<title id="{identity}-title">{_clean(scene.title)}</title>',
        f'<desc id="{identity}-desc">{_clean(scene.description)}</desc>',
        *(_shape(one) for one in scene.shapes),
        *(_column(one) for one in scene.columns),
        "</svg>",
    ]
    return "\n".join(parts) + "\n"


def stylesheet() -> str:
    """Rules for the pictures of a page, for its style sheet: the colours as custom properties, for
    light and for dark. A page with a switch of its own sets `data-theme` to "light" or "dark" on an
    element around them."""

    def properties(colours: Mapping[str, str]) -> str:
        return "".join(f"--wc-{name}:{value};" for name, value in colours.items())

    rules = [
        f".wc-picture{{{properties(LIGHT)}max-width:100%;height:auto}}",
        "@media (prefers-color-scheme:dark){.wc-picture{" + properties(DARK) + "}}",
        f'[data-theme="light"] .wc-picture{{{properties(LIGHT)}}}',
        f'[data-theme="dark"] .wc-picture{{{properties(DARK)}}}',
        ".wc-day rect{fill-opacity:0}.wc-day:hover rect{fill:var(--wc-ink);fill-opacity:.1}",
    ]
    for name, look in LOOKS.items():
        said = []
        if look.fill:
            said.append(f"fill:var(--wc-{look.fill})")
        if look.halo:
            said.append("stroke:var(--wc-ground)")
        elif look.stroke:
            said.append(f"stroke:var(--wc-{look.stroke})")
        rules.append(f".wc-{name}{{{';'.join(said)}}}")
    return "\n".join(rules) + "\n"


def _shape(one: Shape) -> str:
    attributes = [f'class="wc-{one.look}"', *_looks(one.look), *_data(one.data)]
    if isinstance(one, Box):
        where = {"x": one.x, "y": one.y, "width": one.width, "height": one.height}
        return _element("rect", where, attributes)
    if isinstance(one, Dot):
        return _element("circle", {"cx": one.x, "cy": one.y, "r": one.radius}, attributes)
    if isinstance(one, Line | Area):
        points = " ".join(f"{_number(x)},{_number(y)}" for x, y in one.points)
        name = "polyline" if isinstance(one, Line) else "polygon"
        return _element(name, {}, [f'points="{points}"', *attributes])
    return _text(one, attributes)


def _text(one: Text, attributes: list[str]) -> str:
    if one.anchor != "start":
        attributes.append(f'text-anchor="{one.anchor}"')
    if one.bold:
        attributes.append('font-weight="bold"')
    where = f'x="{_number(one.x)}" y="{_number(one.y)}" font-size="{_number(one.size)}"'
    return f"<text {where} {' '.join(attributes)}>{_clean(one.text)}</text>"


def _column(one: Column) -> str:
    where = {"x": one.x, "y": one.y, "width": one.width, "height": one.height}
    day = quoteattr(one.day)
    data = " ".join([f"data-day={day}", *_data(one.data)])
    # Filled, though with nothing: a shape without a filling is not met by a pointer.
    target = _element("rect", where, ['fill="#000000"', 'fill-opacity="0"'])
    return f'<g class="wc-day" {data}><title>{_clean(one.title)}</title>{target}</g>'


def _looks(name: str) -> list[str]:
    look: Look = LOOKS[name]
    found = [f'fill="{LIGHT[look.fill] if look.fill else "none"}"']
    if look.solid < 1:
        found.append(f'fill-opacity="{_number(look.solid)}"')
    if look.halo:
        found += [
            f'stroke="{LIGHT["ground"]}"',
            f'stroke-width="{_number(HALO)}"',
            'stroke-linejoin="round"',
            'paint-order="stroke"',
        ]
    elif look.stroke:
        found += [f'stroke="{LIGHT[look.stroke]}"', f'stroke-width="{_number(look.width)}"']
        if look.dash:
            found.append(f'stroke-dasharray="{" ".join(map(_number, look.dash))}"')
        else:
            found.append('stroke-linejoin="round"')
    return found


def _element(name: str, where: Mapping[str, float], attributes: Iterable[str]) -> str:
    placed = [f'{key}="{_number(value)}"' for key, value in where.items()]
    return f"<{name} {' '.join([*placed, *attributes])}/>"


def _data(data: Mapping[str, str]) -> list[str]:
    return [f"data-{key}={quoteattr(_legal(value))}" for key, value in data.items()]


def _clean(text: str) -> str:
    return escape(_legal(text))


def _legal(text: str) -> str:
    """Without the letters that XML 1.0 cannot hold (its section 2.2)."""
    return "".join(
        one
        for one in text
        if one in "\t\n\r"
        or " " <= one <= "\ud7ff"
        or "\ue000" <= one <= "\ufffd"
        or one > "\uffff"
    )


def _number(value: float) -> str:
    return f"{value:.2f}".rstrip("0").rstrip(".") if value % 1 else f"{value:.0f}"
