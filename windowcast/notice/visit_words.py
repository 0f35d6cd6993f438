"""One visit of a treatment in a line, as a notice and the list of visits say it."""

from __future__ import annotations

from windowcast.language import tr, trn
from windowcast.notice import words
from windowcast.trade.bring import with_spare
from windowcast.trade.visits import Task, Visit


def visit_words(visit: Visit, colonies: int, *, spare_percent: float) -> str:
    """ "Wed Nov 25: put in 2 strips a colony; bring 51 (48 and 3 spare) for 24 colonies"."""
    day, task = words.day(visit.day), words.task(visit.task, visit.dose)
    if visit.strips is None:
        return tr("{day}: {task}", day=day, task=task)
    if visit.task is Task.REMOVE:
        return trn(
            "{day}: {task} a colony; expect {strips} for {count} colony",
            "{day}: {task} a colony; expect {strips} for {count} colonies",
            colonies,
            day=day,
            task=task,
            strips=visit.strips,
        )
    bring = with_spare(visit.strips, spare_percent)
    if bring > visit.strips:
        return trn(
            "{day}: {task} a colony; bring {bring} ({strips} and {spare} spare) for {count} colony",
            "{day}: {task} a colony; bring {bring} ({strips} and {spare} spare) for {count}"
            " colonies",
            colonies,
            day=day,
            task=task,
            bring=bring,
            strips=visit.strips,
            spare=bring - visit.strips,
        )
    return trn(
        "{day}: {task} a colony; bring {strips} for {count} colony",
        "{day}: {task} a colony; bring {strips} for {count} colonies",
        colonies,
        day=day,
        task=task,
        strips=visit.strips,
    )
