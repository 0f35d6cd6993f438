"""One visit of a treatment in a line, as a notice and the list of visits say it."""

from __future__ import annotations

from windowcast.language import tr, trn
from windowcast.notice import words
from windowcast.trade.bring import Load, load_of, with_spare
from windowcast.trade.treatment import Treatment
from windowcast.trade.visits import Task, Visit
from windowcast.trade.yard import Hive


def visit_words(
    visit: Visit, colonies: int, *, treatment: Treatment, hive: Hive, spare_percent: float
) -> str:
    """ "Wed Nov 25: put in 2 strips a colony; bring 51 (48 and 3 spare) for 24 colonies"."""
    day, task = words.day(visit.day), words.task(visit.task, visit.dose)
    if visit.strips is None:
        if visit.task is Task.REMOVE:
            return tr("{day}: {task}", day=day, task=task)
        load = load_of(treatment, visit.dose, hive, colonies=colonies, spare_percent=spare_percent)
        values = {"day": day, "task": task, "amount": load_words(load)}
        if visit.dose.g is None:
            return trn(
                "{day}: {task}; bring {amount} for {count} colony",
                "{day}: {task}; bring {amount} for {count} colonies",
                colonies,
                **values,
            )
        return trn(
            "{day}: {task} a colony; bring {amount} for {count} colony",
            "{day}: {task} a colony; bring {amount} for {count} colonies",
            colonies,
            **values,
        )
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


def load_words(load: Load) -> str:
    """ "51 strips", "840 ml of syrup with 29.4 g of oxalic acid …", "48 g"; "" for nothing."""
    if load.bring_strips is not None:
        return words.strips(load.bring_strips)
    if load.syrup_ml is not None:
        syrup = words.general(float(load.syrup_ml))
        if load.acid_g is None or load.anhydrous_g is None:
            return tr("{amount} ml of syrup", amount=syrup)
        return tr(
            "{amount} ml of syrup with {acid} g of oxalic acid dihydrate in it ({anhydrous} g if"
            " anhydrous)",
            amount=syrup,
            acid=words.decimal(float(load.acid_g), 1),
            anhydrous=words.decimal(float(load.anhydrous_g), 1),
        )
    return "" if load.grams is None else f"{words.general(float(load.grams))} g"
