"""Why a start or a job found no place in a crew's plan: what it lacks, and what would free it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import timedelta
from typing import Any

from windowcast.crew.explain import Bound, Missing, Peers
from windowcast.crew.instance import option_value
from windowcast.language import tr, trn
from windowcast.notice import words
from windowcast.notice.plan_days import Frame, kind_words, minutes_words, up
from windowcast.trade.work import Kind

MOST_PEERS = 5


def lack_words(frame: Frame, found: Missing, need: int, most: Sequence[float] = ()) -> str:
    """What an option lacks, with the crew, the day and how much.

    most:  by each of its hours, the most minutes that any of several needs lacks; empty: it is one
    """
    option = frame.option(need, found.option)
    if found.bound is Bound.SKILL:
        skills = [stop.skill for stop in option.stops if stop.skill]
        return tr("no crew may handle {active}", active=tr(skills[0]) if skills else "")
    if found.dark and found.bound is Bound.LENGTH:
        return tr("it gets dark before any crew could drive there, work and be back")
    if found.dark and found.bound is Bound.DAY:
        return tr("it gets dark before a crew can work there")
    if found.bound is Bound.LENGTH:
        return tr("no crew's day is long enough for the drive and the work there")
    if found.bound is Bound.DAY:
        return tr(
            "no crew works on a day for its {visit}, which could be from {day} on",
            visit=kind_words(Kind(found.visit)),
            day=frame.day(found.on),
        )
    parts = []
    if found.strips:
        parts.append(trn("{count} strip is missing", "{count} strips are missing", found.strips))
    for one, many in zip(found.hours, most or [each.minutes for each in found.hours], strict=True):
        values = {
            "crew": frame.instance.crews[one.crew].name,
            "minutes": minutes_words(one.minutes, many),
            "day": frame.day(one.day),
        }
        parts.append(
            tr("{crew} lacks {minutes} min of daylight on {day}", **values)
            if one.dark
            else tr("{crew} lacks {minutes} min on {day}", **values)
        )
    if not parts:
        return tr("its hours on the road and at the hives cost more")
    return words.listed(parts)


def none_words(
    frame: Frame,
    needs: Sequence[int],
    lacks: Sequence[Missing],
    *,
    others: str = "",
    peers: Peers | None = None,
) -> str:
    """Why needs found no place, why their other days do not count, and what would free one.

    needs:   one, or several that lack the same but for the minutes
    lacks:   what each lacks; empty: they have no day at all
    others:  of the other days, as `off_words` has it
    peers:   whom the same remedy is named for
    """
    if not lacks:
        return tr("no day is left for it")
    need, found, large = needs[0], lacks[0], lacks[0]
    most: list[float] = []
    if len(lacks) > 1:
        minutes = list(zip(*([one.minutes for one in lack.hours] for lack in lacks), strict=True))
        most = [max(each) for each in minutes]
        found = _with_minutes(found, [min(each) for each in minutes])
        large = _with_minutes(found, most)
    parts = [_nearest_words(frame, need, found, most)]
    if others:
        parts.append(tr("other days: {days}", days=others))
    freed = frees(frame, large)
    if freed:
        text = _would_free(frame, freed, needs, peers)
        shared = peers is not None and peers.shared
        parts.append(
            tr("{text}, or a yard that lacks hours of the same crew on the same day", text=text)
            if shared
            else text
        )
    else:
        parts += _else_frees(frame, need, found)
    return "; ".join(parts)


def _with_minutes(found: Missing, minutes: Sequence[float]) -> Missing:
    hours = zip(found.hours, minutes, strict=True)
    return found._replace(hours=tuple(one._replace(minutes=more) for one, more in hours))


def _nearest_words(frame: Frame, need: int, found: Missing, most: Sequence[float]) -> str:
    """The option that lacks least, and what that is."""
    option = frame.option(need, found.option)
    lack = lack_words(frame, found, need, most)
    if not frame.instance.needs[need].starts:
        # What is in hand has one way to be done; the days that lack something are named with it.
        return lack
    values = {
        "day": frame.day(option.start),
        "regimen": frame.way(option.treatment, option.regimen),
        "lack": lack,
    }
    if found.strips and not found.hours:
        return tr("it could almost be on {day} ({regimen})", **values)
    if found.hours and all(one.day > option.start for one in found.hours):
        return tr(
            "it could almost be on {day} ({regimen}), but for a visit that follows: {lack}",
            **values,
        )
    return tr("it could almost be on {day} ({regimen}): {lack}", **values)


def _would_free(frame: Frame, freed: str, told: Sequence[int], peers: Peers | None) -> str:
    """What is freed: it, or how many of those that the same is named for.

    told:  the needs that this is said of
    """
    if peers is None or (peers.frees == len(peers.needs) and not peers.alone):
        several = len(told) > 1
        return (
            tr("{freed} would free them", freed=freed)
            if several and peers is not None
            else tr("{freed} would free any one of them", freed=freed)
            if several
            else tr("{freed} would free it", freed=freed)
        )
    if peers.alone and len(told) > 1:
        return tr("{freed} would free any one of them", freed=freed)
    if peers.alone:
        return tr("{freed} would free this one alone", freed=freed)
    values: dict[str, Any] = {"freed": freed, "of": len(peers.needs)}
    if set(peers.needs) == set(told):
        return trn(
            "{freed} would make room for only one of these {of}, whichever you choose",
            "{freed} would make room for only {count} of these {of}",
            peers.frees,
            **values,
        )
    names = list(dict.fromkeys(frame.instance.needs[one].yard for one in peers.needs))
    few, more = names[:MOST_PEERS], len(names) - MOST_PEERS
    if more > 0:
        few.append(trn("{count} more", "{count} more", more))
    return trn(
        "{freed} would make room for only one of these {of}, whichever you choose: {yards}",
        "{freed} would make room for only {count} of these {of}: {yards}",
        peers.frees,
        yards=words.listed(few),
        **values,
    )


def _else_frees(frame: Frame, need: int, found: Missing) -> list[str]:
    """What would free a need that neither hours nor strips would."""
    option = frame.option(need, found.option)
    if found.bound is Bound.SKILL:
        skills = [stop.skill for stop in option.stops if stop.skill]
        active = tr(skills[0]) if skills else ""
        return [tr("a crew whose actives hold {active} would free it", active=active)]
    if found.bound is Bound.DAY and not found.dark:
        return [tr("a crew on {day} would free it", day=frame.day(found.on))]
    if found.dark:
        return [tr("only longer days, or a crew that is nearer, would free it")]
    if found.bound is not Bound.COST:
        return [tr("a crew that is nearer, or has more hands, would free it")]
    value = option_value(frame.instance, need, found.option)
    if found.loses <= 0 or value <= 0:
        return []
    hour = frame.instance.hour * value / (value + found.loses)
    figure = words.general(math.floor(hour * 1000) / 1000)
    return [tr("an hour_colonies of at most {figure} would free it", figure=figure)]


def frees(frame: Frame, found: Missing) -> str:
    """What would free a place: "one more hand with North crew on Thu Sep 3 and 10 more strips"; ""
    where neither hours nor strips would."""
    parts = []
    for one in found.hours:
        crew, day = frame.instance.crews[one.crew].name, frame.day(one.day)
        if one.hand:
            parts.append(tr("one more hand with {crew} on {day}", crew=crew, day=day))
        elif not one.longer and found.bound is Bound.LENGTH:
            return ""
        elif not one.longer:
            parts.append(tr("a second crew on {day}", day=day))
        elif one.dark:
            parts.append(tr("{crew} leaving earlier on {day}", crew=crew, day=day))
        else:
            parts.append(
                trn(
                    "{count} more minute with {crew} on {day}",
                    "{count} more minutes with {crew} on {day}",
                    up(one.minutes),
                    crew=crew,
                    day=day,
                )
            )
    if found.strips:
        parts.append(trn("{count} more strip", "{count} more strips", found.strips))
    return words.listed(parts) if parts else ""


def missing_document(frame: Frame, found: Missing | None, need: int) -> dict[str, Any] | None:
    """The same as JSON allows."""
    if found is None:
        return None
    option = frame.option(need, found.option)
    return {
        "start": (frame.first + timedelta(days=option.start)).isoformat(),
        "regimen": option.regimen,
        "bound": found.bound.name.lower(),
        "hours": [
            {
                "crew": frame.instance.crews[one.crew].name,
                "date": (frame.first + timedelta(days=one.day)).isoformat(),
                "minutes": up(one.minutes),
                "one_more_hand": one.hand,
                "daylight": one.dark,
            }
            for one in found.hours
        ],
        "strips": found.strips,
        "frees": frees(frame, found),
    }
