"""The picture of a yard: when to start and how sure that is, over the highs that decide it.

Days along the bottom, the allowed band, the forecast as a line, the scenarios as nested ranges, and
below them the starts of each regimen as bars as high as their chance. Everything is told apart by
its form as well as by its colour.
"""

from __future__ import annotations

from math import ceil, floor
from typing import NamedTuple

from windowcast.language import tr, trn
from windowcast.notice import words, yard_marks
from windowcast.notice.plain import attribution
from windowcast.notice.shapes import (
    Area,
    Box,
    Column,
    Dot,
    Line,
    Point,
    Scene,
    Shape,
    Text,
    cut,
    free_of,
    text_width,
    wrapped,
)
from windowcast.notice.yard_days import PictureDay, YardPicture, picture_of
from windowcast.units import fahrenheit_from_celsius
from windowcast.window.decide import Status
from windowcast.window.watch import Level

__all__ = ["YardPicture", "described", "headline", "picture_of", "scene"]

NARROW = 420
"""Up to so many pixels it is laid out for a phone held upright."""
LEAST_COLUMN = 8.0
"""So narrow a day may get where a named start lies far ahead; otherwise it is as wide as `column`
of the layout, so that a finger can meet it."""
DAYS_AFTER_START = 3


class Sizes(NamedTuple):
    """Measures of a layout, px."""

    small: float
    title: float
    headline: float
    column: float
    plot: float
    bar: float
    days_before: int
    margin: float


PHONE = Sizes(11, 14, 19, 18, 168, 24, 2, 8)
WIDE = Sizes(12, 16, 24, 22, 250, 32, 7, 14)


def described(picture: YardPicture) -> str:
    """The picture in one to three sentences: when, how sure, and the hottest day."""
    said = tr("{yard}: {answer}.", yard=picture.yard, answer=headline(picture))
    found = [said, *([tr("{what}.", what=under)] if (under := _under(picture)) else [])]
    hottest = _hottest_words(picture)
    if hottest:
        found.append(tr("{hottest}.", hottest=hottest))
    return " ".join(found)


def headline(picture: YardPicture) -> str:
    """The answer in a few words: "Start today: 92 %"."""
    if picture.exposure is not None and picture.exposure.begun:
        return _in_words(picture)
    if picture.status is Status.UNKNOWN or not picture.known:
        return tr("Not known: old forecast") if picture.stale else tr("Not known: no forecast")
    if picture.resting is not None:
        return tr("No start before {day}", day=words.day(picture.resting))
    if picture.start is None:
        return tr("No start in sight")
    if picture.status is Status.BLOCKED:
        return tr("Hives not ready")
    today, day = picture.start == picture.today, words.day(picture.start)
    if today and picture.shut:
        return tr("Hives stay shut today")
    if picture.chance is None:
        return tr("Start today") if today else tr("Start {day}", day=day)
    chance = words.percent(picture.chance)
    if today:
        return tr("Start today: {chance}", chance=chance)
    return tr("Start {day}: {chance}", day=day, chance=chance)


def _in_words(picture: YardPicture) -> str:
    if picture.level is Level.URGENT:
        if picture.danger_day is None:
            return tr("In danger")
        return tr("In danger {day}", day=words.day(picture.danger_day))
    days = picture.whole_days
    if picture.days_left == 0:
        return trn("In, its day is over", "In, all {count} days are over", days)
    return trn(
        "In: day {number} of {days}, {count} left",
        "In: day {number} of {days}, {count} left",
        picture.days_left,
        number=picture.day_number,
        days=days,
    )


def _under(picture: YardPicture) -> str:
    """What the answer is about: the treatment and the regimen."""
    name = words.treatment_plural(picture.treatment)
    if picture.regimen is None or (picture.start is None and not picture.days_left):
        return name
    if picture.exposure is not None and picture.exposure.begun:
        if picture.chance is None:
            return name
        chance = words.percent(picture.chance)
        if picture.level is Level.URGENT:
            return trn(
                "{treatment}, {count} day left: {chance} to stay in the band",
                "{treatment}, {count} days left: {chance} to stay in the band",
                picture.days_left,
                treatment=name,
                chance=chance,
            )
        return tr("{treatment}: {chance} to stay in the band", treatment=name, chance=chance)
    regimen = words.regimen(picture.regimen)
    if picture.start is not None and picture.status is Status.BLOCKED:
        chance = _not_known() if picture.chance is None else words.percent(picture.chance)
        return tr(
            "{treatment}, {regimen}: weather fits from {day}, {chance}",
            treatment=name,
            regimen=regimen,
            day=words.day(picture.start),
            chance=chance,
        )
    if picture.start is not None and picture.chance is None:
        return tr("{treatment}, {regimen}: chance not known", treatment=name, regimen=regimen)
    return tr("{treatment}, {regimen}", treatment=name, regimen=regimen)


def _not_known() -> str:
    return tr("chance not known")


def _hottest_words(picture: YardPicture) -> str:
    hottest = picture.hottest
    if hottest is None:
        return ""
    day, high = words.day(hottest.day), words.degrees(hottest.high_c, picture.units)
    if hottest.forecast:
        return tr("Hottest {day}: {high}", day=day, high=high)
    return tr("Hottest {day}: about {high}", day=day, high=high)


def scene(picture: YardPicture, width: float, *, brief: bool = False) -> Scene:
    """The picture laid out for so many CSS pixels, from 280 on; letters are never under 11.

    brief:  without the answer in words, the usual range, the key and the source, for where those
            stand beside it: letters are most of what a PNG weighs
    """
    return _Layout(picture, max(float(width), 280.0), brief).scene()


class _Layout:
    """One picture being laid out from the top down; `y` is where it goes on."""

    def __init__(self, picture: YardPicture, width: float, brief: bool) -> None:
        self.picture = picture
        self.brief = brief
        self.width = width
        self.phone = width <= NARROW
        self.sizes = PHONE if self.phone else WIDE
        self.shapes: list[Shape] = []
        self.y = 0.0
        size = self.sizes
        self.left = size.margin + text_width("88.8", size.small, bold=True) + 4
        self.right = width - size.margin
        self.days = self._days_shown()
        self.column = (self.right - self.left) / len(self.days)
        self.low, self.high, self.step = self._range()
        self.top = self.bottom = 0.0

    # Where things are

    def _days_shown(self) -> tuple[PictureDay, ...]:
        """As many days as fit, with the last ones before today, and the named start."""
        picture, size = self.picture, self.sizes
        room = self.right - self.left
        before = [one for one in picture.days if one.day < picture.today]
        known = [one for one in before if one.observed_c is not None or one.exposed]
        past = min(len(before), size.days_before)
        past = min(past, (picture.today - known[0].day).days if known else 1)
        ahead = [one for one in picture.days if one.day >= picture.today]
        count = max(floor(room / size.column) - past, 1)
        if picture.start is not None:
            wanted = (picture.start - picture.today).days + DAYS_AFTER_START
            count = max(count, min(wanted, floor(room / LEAST_COLUMN) - past))
        return tuple(before[len(before) - past :]) + tuple(ahead[:count])

    def _shown(self, high_c: float) -> float:
        """In the units of the picture."""
        return fahrenheit_from_celsius(high_c) if self.picture.units == "F" else high_c

    def _range(self) -> tuple[float, float, float]:
        """Lowest and highest of the axis, and the step of its lines, in the units shown."""
        values: list[float] = []
        for one in self.days:
            values += [value for value in (one.forecast_c, one.observed_c) if value is not None]
            if one.ranges is not None:
                values += [one.ranges.low90, one.ranges.high90]
            if one.band is not None:
                values += [float(value) for value in one.band if value is not None]
            if one.critical and self.picture.danger_c is not None:
                values.append(self.picture.danger_c)
        if len(values) < 2:
            values += [value for one in self.days if one.normal for value in one.normal]
        if not values:
            values = [0.0, 30.0]
        shown = [self._shown(value) for value in values]
        step = 10.0 if self.picture.units == "F" else 5.0
        low = floor((min(shown) - step / 5) / step) * step
        high = ceil((max(shown) + step / 5) / step) * step
        while (high - low) / step > self.sizes.plot / 26:
            step *= 2
        return low, high, step

    def x(self, index: int, part: float = 0.5) -> float:
        """Across a column: 0 its left edge, 1 its right one."""
        return self.left + (index + part) * self.column

    def level(self, high_c: float) -> float:
        """How far down a temperature is, inside the plot."""
        return self.level_shown(self._shown(high_c))

    def level_shown(self, value: float) -> float:
        share = (value - self.low) / (self.high - self.low)
        return self.bottom - min(max(share, 0.0), 1.0) * (self.bottom - self.top)

    def index_of(self, day: object) -> int | None:
        return next((at for at, one in enumerate(self.days) if one.day == day), None)

    # From the top down

    def scene(self) -> Scene:
        picture = self.picture
        if not self.brief:
            self._head()
        self._plot()
        self._day_names()
        yard_marks.visits(self)
        yard_marks.windows(self)
        below = self.y
        if not self.brief:
            yard_marks.key(self)
            self._foot()
        height = ceil(self.y + self.sizes.margin)
        ground = Box("ground", 0, 0, self.width, height)
        return Scene(
            width=self.width,
            height=height,
            title=tr("{yard}: {answer}", yard=picture.yard, answer=headline(picture)),
            description=described(picture),
            shapes=(ground, *self.shapes),
            columns=self._columns(below),
        )

    def add(self, *shapes: Shape) -> None:
        self.shapes += shapes

    def _head(self) -> None:
        size, room = self.sizes, self.width - 2 * self.sizes.margin
        at = size.margin
        self.y = size.margin + size.title * 0.8
        name = cut(self.picture.yard, size.title, room)
        self.add(Text("text", at, self.y, name, size.title))
        look = "text-danger" if self.picture.level is Level.URGENT else "text"
        for line in wrapped(headline(self.picture), size.headline, room, most=2, bold=True):
            self.y += size.headline * 1.25
            self.add(Text(look, at, self.y, line, size.headline, bold=True))
        self.y += 2
        for line in wrapped(_under(self.picture), size.small + 1, room, most=2):
            self.y += (size.small + 1) * 1.35
            self.add(Text("text", at, self.y, line, size.small + 1))
        self.y += 0.5 * size.small

    def _plot(self) -> None:
        size = self.sizes
        self.y += 1.5 * size.small
        label = self.y
        self.top = self.y + 0.9 * size.small
        self.bottom = self.top + size.plot
        self.y = self.bottom
        self._lines_behind()
        self._band()
        if not self.brief:
            self._usual()
        self._ranges()
        self._danger()
        self._highs()
        self._hottest(label)
        if not any(one.forecast_c is not None or one.ranges for one in self.days):
            text = tr("no forecast")
            middle = (self.x(0, 0) + self.right) / 2
            self.add(Text("text-halo", middle, self.top + size.plot / 2, text, 14, "middle", True))
        self._axis()

    def _lines_behind(self) -> None:
        value = ceil(self.low / self.step) * self.step
        while value <= self.high:
            y = self.level_shown(value)
            self.add(Line("grid", ((self.left, y), (self.right, y)), {"value": _number(value)}))
            value += self.step
        for index, one in enumerate(self.days):
            if one.day.weekday() == 0 and index:
                x = self.x(index, 0)
                self.add(Line("grid", ((x, self.top), (x, self.bottom))))

    def _runs(self, known: list[bool]) -> list[range]:
        """Unbroken stretches of columns."""
        found, begin = [], None
        for index, here in enumerate([*known, False]):
            if here and begin is None:
                begin = index
            elif not here and begin is not None:
                found.append(range(begin, index))
                begin = None
        return found

    def _across(self, run: range, levels: list[float]) -> list[Point]:
        """Points at the middles of the columns; a lone day is given some breadth."""
        if len(run) == 1:
            return [(self.x(run[0], 0.25), levels[0]), (self.x(run[0], 0.75), levels[0])]
        return [(self.x(index), level) for index, level in zip(run, levels, strict=True)]

    def _between(self, look: str, run: range, lows: list[float], highs: list[float]) -> None:
        up = self._across(run, [self.level(value) for value in highs])
        down = self._across(run, [self.level(value) for value in lows])
        self.add(Area(look, (*up, *reversed(down))))

    def _usual(self) -> None:
        for run in self._runs([one.normal is not None for one in self.days]):
            normals = [one for index in run if (one := self.days[index].normal)]
            lows, highs = [one[0] for one in normals], [one[1] for one in normals]
            self._between("normal", run, lows, highs)
            for values in (lows, highs):
                points = self._across(run, [self.level(value) for value in values])
                self.add(Line("normal-edge", tuple(points)))

    def _band(self) -> None:
        """The allowed band as a lane, day by day, and its two edges."""
        for run in self._runs([one.band is not None for one in self.days]):
            up: list[Point] = []
            down: list[Point] = []
            for index in run:
                band = self.days[index].band
                assert band is not None
                high = self.top if band.high_c is None else self.level(float(band.high_c))
                low = self.bottom if band.low_c is None else self.level(float(band.low_c))
                up += [(self.x(index, 0), high), (self.x(index, 1), high)]
                down += [(self.x(index, 0), low), (self.x(index, 1), low)]
            self.add(Area("band", (*up, *reversed(down))))
        for which in ("high", "low"):
            begin = 0
            bounds = [
                None
                if one.band is None
                else (one.band.high_c if which == "high" else one.band.low_c, one.exposed)
                for one in self.days
            ]
            for index in range(1, len(bounds) + 1):
                if index < len(bounds) and bounds[index] == bounds[begin]:
                    continue
                here = bounds[begin]
                if here is not None and here[0] is not None:
                    value = float(here[0])
                    y = self.level(value)
                    self.add(
                        Line(
                            "edge-exposed" if here[1] else "edge",
                            ((self.x(begin, 0), y), (self.x(index - 1, 1), y)),
                            {"bound": which, "value": f"{self._shown(value):.2f}"},
                        )
                    )
                begin = index

    def _ranges(self) -> None:
        for run in self._runs([one.ranges is not None for one in self.days]):
            found = [one for index in run if (one := self.days[index].ranges)]
            self._between(
                "range90", run, [one.low90 for one in found], [one.high90 for one in found]
            )
            self._between(
                "range50", run, [one.low50 for one in found], [one.high50 for one in found]
            )

    def _danger(self) -> None:
        """Where heat is dangerous: a line with teeth towards the side that is."""
        limit = self.picture.danger_c
        if limit is None:
            return
        y = self.level(limit)
        for run in self._runs([one.critical for one in self.days]):
            left, right = self.x(run[0], 0), self.x(run[-1], 1)
            data = {"value": f"{self._shown(limit):.2f}"}
            self.add(Line("danger-rim", ((left, y), (right, y))))
            self.add(Line("danger", ((left, y), (right, y)), data))
            teeth = max(int((right - left) / 6), 2)
            for tooth in range(teeth):
                x = left + (tooth + 0.3) * (right - left) / teeth
                self.add(Line("danger-tooth", ((x, y), (x + 4, y - 6))))

    def _highs(self) -> None:
        today = self.index_of(self.picture.today)
        if today:
            x = self.x(today, 0)
            self.add(Line("today", ((x, self.top), (x, self.bottom))))
        runs = self._runs([one.forecast_c is not None for one in self.days])
        for look in ("forecast-rim", "forecast"):
            for run in runs:
                if len(run) > 1:
                    highs = [self.days[index].forecast_c for index in run]
                    levels = [self.level(high_c) for high_c in highs if high_c is not None]
                    points = self._across(run, levels)
                    self.add(Line(look, tuple(points)))
        dot = min(self.column * 0.2, 3.5)
        for index, one in enumerate(self.days):
            for look, high_c, radius in (
                ("forecast-day", one.forecast_c, dot),
                ("observed", one.observed_c, max(dot, 3.0)),
            ):
                if high_c is not None:
                    data = {"day": one.day.isoformat(), "value": f"{self._shown(high_c):.1f}"}
                    self.add(Dot(look, self.x(index), self.level(high_c), radius, data))

    def _hottest(self, y: float) -> None:
        """Its name over the plot, with a line down to its point."""
        hottest = self.picture.hottest
        if hottest is None:
            return
        size = self.sizes.small + 1
        text = cut(_hottest_words(self.picture), size, self.right - self.sizes.margin, bold=True)
        half = text_width(text, size, bold=True) / 2
        index = self.index_of(hottest.day)
        x = self.right if index is None else self.x(index)
        middle = min(max(x, self.sizes.margin + half), self.right - half)
        self.add(Text("text", middle, y, text, size, "middle", True))
        if index is not None:
            point = self.level(hottest.high_c)
            ring = max(min(self.column * 0.4, 7.0), 5.0)
            self.add(
                Line("lead", ((x, y + 4), (x, max(point - ring, y + 4)))),
                Dot("hottest", x, point, ring, {"day": hottest.day.isoformat()}),
            )

    def _axis(self) -> None:
        """Bounds and danger named on the axis, and round degrees where there is room."""
        size = self.sizes.small
        texts: list[Text] = []
        x = self.left - 4

        def label(look: str, value: float, *, bold: bool) -> Text:
            y = self.level_shown(value) + 0.36 * size
            # A bound as in every text, which has a tenth; the lines between are round.
            text = words.decimal(value, 1) if bold else _number(value)
            return Text(look, x, y, text, size, "end", bold, {"value": _number(value)})

        bounds = {
            self._shown(float(value))
            for one in self.days
            if one.band is not None
            for value in one.band
            if value is not None
        }
        for value in sorted(bounds, reverse=True):
            one = label("text-edge", value, bold=True)
            if free_of(one, texts):
                texts.append(one)
        limit = self.picture.danger_c
        if limit is not None and any(one.critical for one in self.days):
            one = label("text-danger", self._shown(limit), bold=True)
            while not free_of(one, texts):
                one = one._replace(y=one.y - 1)
            texts.append(one)
        value = ceil(self.low / self.step) * self.step
        while value <= self.high:
            one = label("text-quiet", value, bold=False)
            if free_of(one, texts):
                texts.append(one)
            value += self.step
        self.add(*texts)
        unit = Text("text-quiet", x, self.top - 0.9 * size, f"°{self.picture.units}", size, "end")
        taken = [one for one in self.shapes if isinstance(one, Text)]
        if free_of(unit, taken):
            self.add(unit)
        self._danger_word(taken)

    def _danger_word(self, taken: list[Text]) -> None:
        limit = self.picture.danger_c
        runs = self._runs([one.critical for one in self.days])
        if limit is None or not runs:
            return
        size, y = self.sizes.small, self.level(limit)
        wide = text_width(tr("danger"), size, bold=True)
        leads = [
            one.points[0][0] for one in self.shapes if isinstance(one, Line) and one.look == "lead"
        ]
        left, right = self.x(runs[0][0], 0), self.x(runs[0][-1], 1)
        places = [(right + 5, y + 0.36 * size), (left - 5 - wide, y + 0.36 * size)]
        places += [(x, y + step) for x in (left, right - wide) for step in (size + 3, -9)]
        for x, base in places:
            word = Text("text-danger-halo", x, base, tr("danger"), size, "start", True)
            if (
                self.left <= x <= self.right - wide
                and self.top + size <= base
                and not any(x - 3 < lead < x + wide + 3 for lead in leads)
                and free_of(word, taken)
            ):
                self.add(word)
                return

    def _day_names(self) -> None:
        """Weekday and number under each day, as far as they fit; the month where it begins."""
        size, picture = self.sizes.small, self.picture
        self.add(Line("axis", ((self.left, self.bottom), (self.right, self.bottom))))
        every = max(ceil(1.6 * size / self.column), 1)
        whole = self.column >= 2.9 * size
        weekday_y, number_y, month_y = (self.bottom + part * size for part in (1.25, 2.6, 3.9))
        today = self.index_of(picture.today) or 0
        months: list[Text] = []
        for index, one in enumerate(self.days):
            if one.day.day == 1 or index == 0:
                month = tr(words.MONTH_NAMES[one.day.month - 1])
                text = Text("text-quiet", self.x(index, 0.1), month_y, month, size)
                if text.box[2] <= self.width:
                    if months and not free_of(text, months):
                        months.pop()
                    months.append(text)
            if (index - today) % every:
                continue
            weekday = tr(words.DAY_NAMES[one.day.weekday()])
            x, here = self.x(index), one.day == picture.today
            data = {"day": one.day.isoformat()}
            name = weekday if whole else weekday[:1]
            self.add(Text("text-quiet", x, weekday_y, name, size, "middle", here))
            if here:
                wide = min(max(self.column, 1.7 * size), 3 * size)
                self.add(
                    Box("today-day", x - wide / 2, number_y - 1.05 * size, wide, 1.4 * size, data)
                )
            look = "text-ground" if here else "text"
            self.add(Text(look, x, number_y, str(one.day.day), size, "middle", here, data))
        self.add(*months)
        self.y = month_y + 0.5 * size

    def _foot(self) -> None:
        size, room = self.sizes.small, self.width - 2 * self.sizes.margin
        said = [attribution(self.picture.attribution), tr("The label and local law decide.")]
        for line in wrapped(" ".join(one for one in said if one), size, room, most=4):
            self.y += 1.4 * size
            self.add(Text("text-quiet", self.sizes.margin, self.y, line, size))

    def _columns(self, below: float) -> tuple[Column, ...]:
        return tuple(
            Column(
                day=one.day.isoformat(),
                x=self.x(index, 0),
                y=self.top,
                width=self.column,
                height=below - self.top,
                title=yard_marks.day_words(self.picture, one),
                data=yard_marks.day_data(self.picture, one),
            )
            for index, one in enumerate(self.days)
        )


def _number(value: float) -> str:
    """ "29.5", "30"."""
    return f"{value:.1f}".removesuffix(".0")
