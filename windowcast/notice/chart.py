"""Pictures as bytes: a season from past years, and how named chances fared.

Everything is told apart twice, by the form of its line or mark and by words beside it, so that the
pictures read in grey and to eyes that see colours differently; colours differ in lightness too.
Letters are sized to be readable where the picture is 640 pixels wide.
"""

from __future__ import annotations

import textwrap
import warnings
from collections.abc import Callable, Sequence
from io import BytesIO
from typing import TYPE_CHECKING, Any, Literal

from windowcast.errors import UsageError
from windowcast.language import tr, trn
from windowcast.notice import words
from windowcast.sky.climate import Floats
from windowcast.sky.score import ReliabilityRow
from windowcast.window.season import MonthDay, PastRegimen, SeasonAnswer, hardly_ever, pooled

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

Kind = Literal["png", "svg"]
DOTS_PER_INCH = 160
SEASON_INCHES, SQUARE_INCHES = (8.0, 5.4), (8.0, 7.4)
INK, FAINT, BAR = "#222222", "#8a8a8a", "#c3ced6"
# Blue, vermilion and green that eyes without red or green cones tell apart (Okabe and Ito 2008,
# from memory), each of another lightness, and ink.
COLOURS = ("#0072b2", "#d55e00", "#222222", "#009e73")
LINES: tuple[Any, ...] = ("-", (0, (5, 2)), (0, (1, 1.4)), (0, (7, 2, 1.5, 2)))
MARKS, SIGNS = ("o", "s", "D", "v"), ("●", "■", "◆", "▼")
TITLE_LETTERS, NOTE_LETTERS, NAME_LETTERS = 60, 92, 16
LABEL_GAP, LINE_GAP = 0.175, 0.06
MOST_DAYS_NAMED, FEWEST_TICKS = 95, 2
# Below this share a number under its point would run into the axis.
LOWEST_LABEL_BELOW = 0.08
STYLE: Any = {
    # The first comes with the library, so widths are known; the second is for who views an SVG.
    "font.family": ["DejaVu Sans", "sans-serif"],
    "font.sans-serif": ["DejaVu Sans", "sans-serif"],
    "font.size": 12,
    "axes.edgecolor": FAINT,
    "axes.labelcolor": INK,
    "text.color": INK,
    "xtick.color": INK,
    "ytick.color": INK,
    "axes.spines.top": False,
    "axes.spines.right": False,
    # A dollar sign in a yard's name is a dollar sign.
    "text.parse_math": False,
    # Words stay words: a reader can search them, and a screen can read them out.
    "svg.fonttype": "none",
    "svg.hashsalt": "windowcast",
}


def check_available() -> None:
    """Raises UsageError, with the remedy, where the library that draws is missing."""
    try:
        import matplotlib  # noqa: F401
    except ImportError as error:
        raise UsageError(
            "--picture needs matplotlib, which is not installed; install it with:"
            " pip install 'windowcast[picture]'"
        ) from error


def season_picture(answer: SeasonAnswer, kind: Kind) -> bytes:
    """The share of past years by start day and regimen, with this year's chances over it."""

    def draw(figure: Figure) -> None:
        top = _head(figure, season_title(answer), _season_note(answer))
        axes = figure.add_axes((0.1, 0.185, 0.635, top - 0.185))
        regimens = answer.past.regimens
        for place, one in enumerate(regimens):
            _past_line(axes, one, place)
        last = len(regimens[0].starts) - 1
        axes.set_xlim(-0.5, last + 0.5)
        _now_marks(axes, answer)
        axes.set_ylim(0, 1.02)
        _per_cent(axes.yaxis, (0, 0.25, 0.5, 0.75, 1))
        axes.grid(axis="y", color="#dddddd", linewidth=0.8)
        axes.set_axisbelow(True)
        _day_ticks(axes, [start.day for start in regimens[0].starts])
        axes.set_xlabel(tr("first day of the treatment"))
        _names_beside(axes, answer)
        law = tr("The label and local law decide, always.")
        _foot(figure, f"{tr(answer.attribution)}\n{law}")

    return _drawn(SEASON_INCHES, kind, draw)


def season_title(answer: SeasonAnswer) -> str:
    """The answer in words: when half of the years could start, and when it is best."""
    past = answer.past
    values = {
        "yard": answer.yard.name,
        "treatment": words.treatment_plural(past.treatment),
        "first": _day(past.season.first),
        "last": _day(past.season.last),
    }
    if hardly_ever(past):
        return tr(
            "{yard}: {treatment} could not start in most past years, {first} to {last}", **values
        )
    # Starts are in the season's order, which the calendar's is not where it crosses the new year.
    early = min(
        (one for one in past.regimens if one.median_first is not None),
        key=lambda one: [start.day for start in one.starts].index(_known(one.median_first)),
        default=None,
    )
    if early is None:
        return tr("{yard}: {treatment}, starts {first} to {last}", **values)
    return tr(
        "{yard}: {treatment} could start by {day} in half of past years",
        yard=values["yard"],
        treatment=values["treatment"],
        day=_day(_known(early.median_first)),
    )


def reliability_picture(
    rows: Sequence[ReliabilityRow],
    chances: Floats,
    title: str,
    note: str,
    kind: Kind,
    *,
    foot: str = "",
) -> bytes:
    """How often windows held that were given each tenth of chance, and how often it was given.

    foot:  where both come from; "" for tables
    """

    def draw(figure: Figure) -> None:
        top = _head(figure, title, note)
        axes = figure.add_axes((0.125, 0.335, 0.825, top - 0.335))
        below = figure.add_axes((0.125, 0.125, 0.825, 0.13))
        axes.plot([0, 1], [0, 1], color=INK, linewidth=1.2, linestyle=LINES[1])
        for row in rows:
            _reliability_point(axes, row)
        axes.set(xlim=(-0.01, 1.01), ylim=(-0.04, 1.06), ylabel=tr("share that held"))
        _per_cent(axes.yaxis, (0, 0.2, 0.4, 0.6, 0.8, 1))
        _per_cent(axes.xaxis, (0, 0.2, 0.4, 0.6, 0.8, 1))
        _legend(axes)
        below.hist(chances, bins=[k / 20 for k in range(21)], color="#9db7c9", edgecolor="white")
        below.set(xlim=(-0.01, 1.01), ylabel=tr("windows"), xlabel=tr("chance that was named"))
        below.locator_params(axis="y", nbins=3, integer=True)
        _per_cent(below.xaxis, (0, 0.2, 0.4, 0.6, 0.8, 1))
        _foot(figure, foot or tr("From tables of past forecasts and of the highs that came."))

    return _drawn(SQUARE_INCHES, kind, draw)


def _past_line(axes: Axes, one: PastRegimen, place: int) -> None:
    colour, line = COLOURS[place % len(COLOURS)], LINES[place % len(LINES)]
    shares = [float("nan") if one_.share is None else float(one_.share) for one_ in one.starts]
    axes.plot(
        range(len(shares)),
        shares,
        color=colour,
        linestyle=line,
        linewidth=2.4,
        gid=f"past {one.regimen.id}",
    )
    if one.median_first is not None:
        at = next(i for i, start in enumerate(one.starts) if start.day == one.median_first)
        axes.plot([at, at], [0, shares[at]], color=colour, linestyle=line, linewidth=1.2)
        axes.plot(
            [at], [0], marker="^", color=colour, markersize=11, clip_on=False, linestyle="none"
        )


def _now_marks(axes: Axes, answer: SeasonAnswer) -> None:
    """This year's chances: marks with a pale rim, which no line of past years has."""
    for place, one in enumerate(answer.past.regimens):
        found = [
            (at, chance)
            for at, start in enumerate(one.starts)
            if (chance := answer.now.get((one.regimen.id, start.day))) is not None
        ]
        if not found:
            continue
        axes.plot(
            [at for at, _ in found],
            [chance for _, chance in found],
            color=COLOURS[place % len(COLOURS)],
            marker=MARKS[place % len(MARKS)],
            markersize=6.5,
            markeredgecolor="white",
            markeredgewidth=0.9,
            linestyle="none",
            clip_on=False,
            gid=f"now {one.regimen.id}",
        )


def _names_beside(axes: Axes, answer: SeasonAnswer) -> None:
    """Each line's name where it ends, moved apart where two would overlap."""
    ends = []
    with_now = {
        one.regimen.id
        for one in answer.past.regimens
        if any((one.regimen.id, start.day) in answer.now for start in one.starts)
    }
    gap = LABEL_GAP + (LINE_GAP if with_now else 0)
    for place, one in enumerate(answer.past.regimens):
        known = [float(start.share) for start in one.starts if start.share is not None]
        ends.append((known[-1] if known else 0.0, place, one))
    # Of lines that end together the one that ran higher is named higher.
    ends.sort(key=lambda end: (end[0], _mean(end[2]), -end[1]))
    heights: list[float] = []
    for share, _, _ in ends:
        lowest = heights[-1] + gap if heights else gap / 2
        heights.append(max(share, lowest))
    over = max(0.0, heights[-1] - 0.95)
    for (_, place, one), height in zip(ends, heights, strict=True):
        colour = COLOURS[place % len(COLOURS)]
        beside = [tr("most years none")]
        if one.median_first is not None:
            half = tr("half by {day}", day=_day(one.median_first))
            beside = [f"▲ {half}"]
        if one.regimen.id in with_now:
            beside.append(f"{SIGNS[place % len(SIGNS)]} {tr('chance this year')}")
        y = height - over
        axes.plot(
            [1.015, 1.07],
            [y + 0.03, y + 0.03],
            transform=axes.transAxes,
            color=colour,
            linestyle=LINES[place % len(LINES)],
            linewidth=2.4,
            clip_on=False,
        )
        where: Any = {"transform": axes.transAxes, "color": colour}
        axes.text(1.085, y, _cut(one.regimen.id), fontweight="bold", va="bottom", **where)
        axes.text(1.085, y, "\n".join(beside), fontsize=11, va="top", **where)


def _mean(one: PastRegimen) -> float:
    return float(pooled(one.starts) or 0)


def _cut(name: str) -> str:
    """A name that fits beside the lines; the whole one is in the text and in the line's own id."""
    return name if len(name) <= NAME_LETTERS else f"{name[: NAME_LETTERS - 1]}…"


def _reliability_point(axes: Axes, row: ReliabilityRow) -> None:
    at, share = row.mean_chance, row.observed
    if row.band_low is not None and row.band_high is not None:
        axes.plot(
            [at, at],
            [row.band_low, row.band_high],
            color=BAR,
            linewidth=17,
            solid_capstyle="butt",
            zorder=1,
        )
    judged, inside = row.consistent is not None, row.consistent
    axes.plot(
        [at],
        [share],
        marker="o" if judged else "x",
        markersize=9 if judged else 7,
        color=COLOURS[0] if inside or not judged else COLOURS[1],
        markerfacecolor=COLOURS[0] if inside else "white",
        markeredgewidth=2,
        linestyle="none",
        zorder=3,
        gid=f"tenth {row.lowest:.1f}",
    )
    below = share < at and share > LOWEST_LABEL_BELOW
    axes.annotate(
        str(row.cases),
        (at, share),
        xytext=(0, -9 if below else 9),
        textcoords="offset points",
        ha="center",
        va="top" if below else "bottom",
        fontsize=10.5,
        zorder=4,
    )


def _legend(axes: Axes) -> None:
    lines = (
        ("- -", tr("as often as said")),
        ("●", tr("share, and number of windows")),
        ("○", tr("outside its bar")),
        ("×", tr("too few to judge")),
        ("▮", tr("where right chances would lie")),
        ("", tr("(90 %, all tenths at once)")),
    )
    for step, (sign, text) in enumerate(lines):
        y = 0.385 - 0.066 * step
        colour = {"▮": BAR, "●": COLOURS[0], "×": COLOURS[0], "○": COLOURS[1]}.get(sign, INK)
        where: Any = {"transform": axes.transAxes, "va": "center"}
        axes.text(0.6, y, sign, fontsize=12, color=colour, ha="center", fontweight="bold", **where)
        axes.text(0.63, y, text, fontsize=11, **where)


def _season_note(answer: SeasonAnswer) -> str:
    past = answer.past
    share = trn(
        "Share of {count} past year ({first} to {last}) with every day of the exposure inside its"
        " band",
        "Share of {count} past years ({first} to {last}) with every day of the exposure inside its"
        " band",
        past.years,
        first=past.first_year,
        last=past.last_year,
    )
    return f"{tr('INVENTED WEATHER.')} {share}" if answer.source == "sample" else share


def _head(figure: Figure, title: str, note: str) -> float:
    """Title and what is shown, from the left edge, both wrapped so that neither is cut off.

    Returns where the picture below may begin, as a share of the height.
    """
    height = figure.get_size_inches()[1] * 72
    title_lines = textwrap.wrap(title, TITLE_LETTERS)
    note_lines = textwrap.wrap(note, NOTE_LETTERS)
    figure.text(
        0.02, 1 - 9 / height, "\n".join(title_lines), fontsize=15.5, fontweight="bold", va="top"
    )
    down = 17 + 19 * len(title_lines)
    figure.text(0.02, 1 - down / height, "\n".join(note_lines), fontsize=11, va="top")
    return float(1 - (down + 14.5 * len(note_lines) + 15) / height)


def _foot(figure: Figure, text: str) -> None:
    height = figure.get_size_inches()[1] * 72
    lines = [line for part in text.split("\n") for line in textwrap.wrap(part, NOTE_LETTERS + 6)]
    figure.text(0.02, 6 / height, "\n".join(lines), fontsize=10, va="bottom", color="#444444")


def _per_cent(axis: Any, values: Sequence[float]) -> None:
    axis.set_ticks(list(values), [f"{value:.0%}".replace("%", " %") for value in values])


def _day_ticks(axes: Axes, days: Sequence[MonthDay]) -> None:
    """Some days while they fit, months beyond."""
    if len(days) > MOST_DAYS_NAMED:
        at = [index for index, day in enumerate(days) if day.day == 1]
        axes.set_xticks(at, [words.month(days[index].month) for index in at])
        return
    at = [index for index, day in enumerate(days) if day.day in (1, 16)]
    if len(at) < FEWEST_TICKS:
        at = sorted({0, len(days) // 2, len(days) - 1})
    axes.set_xticks(at, [_day(days[index]) for index in at])


def _day(day: MonthDay) -> str:
    return words.month_day(day.month, day.day)


def _known(day: MonthDay | None) -> MonthDay:
    assert day is not None
    return day


def _drawn(inches: tuple[float, float], kind: Kind, draw: Callable[[Figure], None]) -> bytes:
    """The same bytes for the same input: no date, no chance in names, no settings of the user's."""
    import matplotlib
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    out = BytesIO()
    with matplotlib.rc_context(), warnings.catch_warnings():
        # A letter that the font lacks is drawn as a box in a PNG; the SVG has it as it is.
        warnings.filterwarnings("ignore", "Glyph .* missing from font")
        matplotlib.rcdefaults()
        matplotlib.rcParams.update(STYLE)
        figure = Figure(figsize=inches, dpi=DOTS_PER_INCH, facecolor="white")
        FigureCanvasAgg(figure)
        draw(figure)
        metadata = {"Software": None} if kind == "png" else {"Date": None, "Creator": None}
        figure.savefig(out, format=kind, metadata=metadata)
    return out.getvalue()
