"""Below the highs of a yard's picture: visits, the starts of each regimen, the key; and what each
day says of itself."""

from __future__ import annotations

from datetime import date, timedelta
from typing import TYPE_CHECKING

from windowcast.language import tr, trn
from windowcast.notice import words
from windowcast.notice.shapes import Area, Box, Dot, Line, Shape, Text, cut, free_of, text_width
from windowcast.notice.yard_days import PictureDay, StartDay, Window, YardPicture
from windowcast.trade.work import Kind
from windowcast.units import fahrenheit_from_celsius

if TYPE_CHECKING:
    from windowcast.notice.yard_picture import _Layout as Layout

DOSING = (Kind.APPLY, Kind.SWAP, Kind.REMOVE)


def visit_word(kind: Kind) -> str:
    """What is done, in a word or two."""
    return {
        Kind.APPLY: tr("put in"),
        Kind.SWAP: tr("swap"),
        Kind.REMOVE: tr("take out"),
        Kind.REPOSITION: tr("move"),
        Kind.QUEENS: tr("queens"),
        Kind.COUNT_AFTER: tr("count"),
        Kind.COUNT: tr("count"),
    }[kind]


def visits(layout: Layout) -> None:
    """The exposure as a bar, and what is done on which day."""
    picture, size = layout.picture, layout.sizes.small
    if not picture.visits and picture.exposure is None:
        return
    y = layout.y + 12
    _exposure(layout, y)
    texts: list[Text] = []
    beyond: list[str] = []
    marked: set[date] = set()
    for visit in sorted(picture.visits, key=lambda one: (one.kind not in DOSING, one.day)):
        index = layout.index_of(visit.day)
        word = visit_word(visit.kind)
        if index is None:
            if visit.kind in DOSING and visit.day > picture.today:
                day = words.day(visit.day)
                beyond.append(tr("{what} {day}", what=word, day=day))
            continue
        x = layout.x(index)
        data = {"day": visit.day.isoformat(), "visit": visit.kind.value}
        # A look at the hives on a day of doses goes along with them.
        if visit.day not in marked:
            layout.add(_mark(visit.kind, x, y, data))
            marked.add(visit.day)
        half = text_width(word, size) / 2
        middle = min(max(x, layout.sizes.margin + half), layout.right - half)
        text = Text("text", middle, y + 8 + size, word, size, "middle")
        if free_of(text, texts):
            texts.append(text)
    if beyond:
        said = tr("{visit} →", visit=beyond[0])
        text = Text("text", layout.right, y + 8 + size, said, size, "end")
        if free_of(text, texts):
            texts.append(text)
    layout.add(*texts)
    layout.y = y + 8 + 1.4 * size


def _exposure(layout: Layout, y: float) -> None:
    exposure, today = layout.picture.exposure, layout.picture.today
    if exposure is None:
        return
    last = layout.days[-1].day
    first_index = layout.index_of(max(exposure.first_day, layout.days[0].day))
    last_index = layout.index_of(min(exposure.last_day, last))
    if first_index is None or last_index is None:
        return
    left, right = layout.x(first_index, 0), layout.x(last_index, 1)
    data = {
        "first-day": exposure.first_day.isoformat(),
        "last-day": exposure.last_day.isoformat(),
    }
    gone = layout.index_of(today - timedelta(days=1))
    if exposure.begun and gone is not None and gone >= first_index:
        done = layout.x(min(gone, last_index), 1)
        layout.add(Box("exposure-gone", left, y - 3, done - left, 6))
    lines = [((left, y - 3), (right, y - 3)), ((left, y + 3), (right, y + 3))]
    if exposure.first_day >= layout.days[0].day:
        lines.append(((left, y - 3), (left, y + 3)))
    if exposure.last_day <= last:
        lines.append(((right, y - 3), (right, y + 3)))
    # What is cut off at the edge stays open there.
    layout.add(*(Line("exposure", line) for line in lines[1:]))
    layout.add(Line("exposure", lines[0], data))


def _mark(kind: Kind, x: float, y: float, data: dict[str, str]) -> Shape:
    """In points down, out points up, a swap does both; a look at the hive is a ring."""
    wide = 7.0
    if kind is Kind.APPLY:
        return Area("visit", ((x - wide, y - 8), (x + wide, y - 8), (x, y + 7)), data)
    if kind is Kind.REMOVE:
        return Area("visit", ((x - wide, y + 7), (x + wide, y + 7), (x, y - 8)), data)
    if kind is Kind.SWAP:
        return Area("visit", ((x - wide, y), (x, y - 8), (x + wide, y), (x, y + 8)), data)
    return Dot("visit-other", x, y, 5, data)


def windows(layout: Layout) -> None:
    """A row for each regimen: a bar for each start, as high as its chance, filled where it fits."""
    for window in layout.picture.windows:
        if window.starts:
            _window(layout, window)


def _window(layout: Layout, window: Window) -> None:
    size, picture = layout.sizes.small, layout.picture
    room = layout.right - layout.sizes.margin
    layout.y += 1.6 * size
    said = _runs_words(window) if picture.known else tr("not judged, the forecast is too old")
    if layout.phone:
        name = cut(window.how, size, room, bold=True)
        layout.add(Text("text", layout.sizes.margin, layout.y, name, size, "start", True))
        if not layout.brief:
            layout.y += 1.35 * size
            layout.add(Text("text", layout.sizes.margin, layout.y, cut(said, size, room), size))
    else:
        name = cut(window.how, size, room * 0.5, bold=True)
        layout.add(Text("text", layout.left, layout.y, name, size, "start", True))
        x = layout.left + text_width(name, size, bold=True) + size
        layout.add(Text("text", x, layout.y, cut(said, size, layout.right - x), size))
    numbers = not layout.phone and layout.column >= 2.2 * size
    top = layout.y + (1.5 * size if numbers else 5)
    base = top + layout.sizes.bar
    gap = min(max(layout.column * 0.1, 1.0), 3.0)
    for one in window.starts:
        index = layout.index_of(one.day)
        if index is None:
            continue
        chance = one.chance
        # Without scenarios there is no chance to draw, only that it fits or not.
        height = layout.sizes.bar * (0.5 if chance is None else chance)
        if chance is None and not one.fits:
            continue
        data = {
            "day": one.day.isoformat(),
            "regimen": window.regimen,
            "chance": "" if chance is None else f"{chance:.3f}",
            "fits": "yes" if one.fits else "no",
        }
        x, wide = layout.x(index, 0) + gap, layout.column - 2 * gap
        layout.add(Box("window" if one.fits else "hollow", x, base - height, wide, height, data))
        if numbers and chance is not None:
            text = f"{chance * 100:.0f}"
            look = "text" if one.fits else "text-quiet"
            layout.add(
                Text(look, layout.x(index), base - height - 3, text, size, "middle", one.fits)
            )
    layout.add(Line("axis", ((layout.left, base), (layout.right, base))))
    least = picture.min_chance
    if least is not None and any(one.chance is not None for one in window.starts):
        y = base - layout.sizes.bar * least
        layout.add(
            Line("least", ((layout.left, y), (layout.right, y)), {"value": f"{least:.2f}"}),
            Text(
                "text-quiet",
                layout.left - 3,
                y + 0.36 * size,
                words.percent(least),
                size,
                "end",
            ),
        )
    layout.y = base


def _runs_words(window: Window) -> str:
    """ "Sun Nov 29 to Mon Dec 14: 84 to 96 %"."""
    runs = window.runs
    if not runs:
        best = max(window.starts, key=lambda one: -1.0 if one.chance is None else one.chance)
        if not best.chance:
            return tr("no start fits, to {day}", day=words.day(window.starts[-1].day))
        return tr(
            "no start fits; nearest {day}, {chance}",
            day=words.day(best.day),
            chance=words.percent(best.chance),
        )
    first = runs[0]
    span = words.span(first[0].day, first[-1].day)
    said = tr("{days}: {chance}", days=span, chance=_chances(first))
    more = len(runs) - 1
    return said + trn(", later {count} more", ", later {count} more", more) if more else said


def _chances(run: tuple[StartDay, ...]) -> str:
    known = [one.chance for one in run if one.chance is not None]
    if not known:
        return tr("chance not known")
    low, high = words.percent(min(known)), words.percent(max(known))
    return low if low == high else tr("{low} to {high}", low=low.removesuffix(" %"), high=high)


def key(layout: Layout) -> None:
    """What is what, as far as it is there."""
    size = layout.sizes.small
    layout.y += 1.2 * size
    left = layout.sizes.margin
    x, swatch = left, 20.0
    y = layout.y + size
    for look, text in _entries(layout):
        wide = swatch + 5 + text_width(text, size)
        if x > left and x + wide > layout.right:
            x = left
            y += 1.55 * size
        shapes = _swatch(look, x, y - 0.36 * size, swatch)
        layout.add(*(one._replace(data={"key": look}) for one in shapes))
        layout.add(Text("text", x + swatch + 5, y, text, size))
        x += wide + 1.2 * size
    layout.y = y + 0.5 * size


def _entries(layout: Layout) -> list[tuple[str, str]]:
    there = {one.look for one in layout.shapes}
    bars = there & {"window", "hollow"}
    found = [
        ("forecast-day", "forecast", tr("forecast high")),
        ("range50", "range50", tr("5 in 10 scenarios")),
        ("range90", "range90", tr("9 in 10 scenarios")),
        ("observed", "observed", tr("observed")),
        ("band", "edge-exposed", tr("allowed")),
        ("normal-edge", "normal-edge", tr("usual")),
        ("window", "window", tr("start fits")),
        ("exposure", "exposure", tr("exposure")),
        ("hollow", "hollow", tr("start does not fit")),
    ]
    return [(look, text) for needs, look, text in found if needs in there or needs in bars]


def _swatch(look: str, x: float, y: float, wide: float) -> list[Shape]:
    if look in ("forecast", "normal-edge"):
        line = ((x, y), (x + wide, y))
        if look == "normal-edge":
            return [
                Box("normal", x, y - 5, wide, 10),
                Line(look, ((x, y - 5), (x + wide, y - 5))),
                Line(look, ((x, y + 5), (x + wide, y + 5))),
            ]
        return [Line(look, line), Dot("forecast-day", x + wide / 2, y, 3)]
    if look == "observed":
        return [Dot(look, x + wide / 2, y, 3.2)]
    if look == "edge-exposed":
        return [
            Box("band", x, y - 5, wide, 10),
            Line(look, ((x, y - 5), (x + wide, y - 5))),
            Line(look, ((x, y + 5), (x + wide, y + 5))),
        ]
    if look == "exposure":
        sides = [((x, y - 3), (x + wide, y - 3)), ((x, y + 3), (x + wide, y + 3))]
        ends = [((one, y - 3), (one, y + 3)) for one in (x, x + wide)]
        return [Line(look, side) for side in sides + ends]
    if look in ("window", "hollow"):
        return [Box(look, x + wide / 2 - 5, y - 6, 10, 11)]
    return [Box(look, x, y - 5, wide, 10)]


def day_words(picture: YardPicture, one: PictureDay) -> str:
    """The figures of a day, a line each."""
    units = picture.units
    lines = [words.day(one.day)]

    def between(low: float, high: float) -> str:
        return tr(
            "{low} to {high}",
            low=words.degrees_bare(low, units),
            high=words.degrees(high, units),
        )

    if one.observed_c is not None:
        lines.append(tr("observed {high}", high=words.degrees(one.observed_c, units)))
    if one.forecast_c is not None:
        lines.append(tr("forecast {high}", high=words.degrees(one.forecast_c, units)))
    if one.ranges is not None:
        of = one.ranges
        lines.append(tr("5 in 10 scenarios {range}", range=between(of.low50, of.high50)))
        lines.append(tr("9 in 10 scenarios {range}", range=between(of.low90, of.high90)))
    if one.band is not None:
        lines.append(tr("allowed {band}", band=words.band(one.band, units)))
    if one.critical and picture.danger_c is not None:
        lines.append(tr("danger above {high}", high=words.degrees(picture.danger_c, units)))
    if one.normal is not None:
        lines.append(tr("usual {range}", range=between(*one.normal)))
    for window in picture.windows:
        for start in window.starts:
            if start.day == one.day:
                chance = (
                    tr("chance not known") if start.chance is None else words.percent(start.chance)
                )
                text = (
                    tr("start, {regimen}: {chance}", regimen=window.how, chance=chance)
                    if start.fits
                    else tr("no start, {regimen}: {chance}", regimen=window.how, chance=chance)
                )
                lines.append(text)
    lines += [visit_word(visit.kind) for visit in picture.visits if visit.day == one.day]
    return "\n".join(lines)


def day_data(picture: YardPicture, one: PictureDay) -> dict[str, str]:
    """The same as plain values, in the units shown; what is not known is left out."""

    def shown(value_c: float) -> str:
        value = fahrenheit_from_celsius(value_c) if picture.units == "F" else value_c
        return f"{value:.1f}"

    found: dict[str, float | None] = {
        "observed": one.observed_c,
        "forecast": one.forecast_c,
    }
    if one.ranges is not None:
        found |= one.ranges._asdict()
    if one.normal is not None:
        found |= {"usual-low": one.normal[0], "usual-high": one.normal[1]}
    if one.band is not None:
        low, high = one.band
        found["band-low"] = None if low is None else float(low)
        found["band-high"] = None if high is None else float(high)
    return {key: shown(value) for key, value in found.items() if value is not None}
