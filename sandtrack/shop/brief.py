"""The morning brief: the answers of one moment, side by side."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

from sandtrack.records import times
from sandtrack.shop import cover, dangers, handled, moulds, stock
from sandtrack.shop.answer import Answer, Basis
from sandtrack.shop.circuit import rates
from sandtrack.shop.dosing import setting
from sandtrack.shop.picture import Picture
from sandtrack.shop.watch import attention

PERIOD_DAYS = 28


def brief(picture: Picture) -> Answer:
    """What is where and how long it lasts, what to set and when it strips, what came back, what needs a look.

    Values: `shop`, `period` (of the rates), and under `answers` the answers to stock, cover, moulds, settings (a list,
    one for each mixer and binder system), rates and attention, each as its own question gives it.
    """
    first = picture.today - timedelta(days=PERIOD_DAYS - 1)
    since = times.day_start(first, picture.zone)
    settings = [
        setting.setting(picture, mixer, system)
        for mixer, entry in picture.plant.mixers.items()
        for system in entry.binder_systems
    ]
    stocks = stock.stock(picture)
    to_check = attention.attention(picture)
    raised = [flag.code for flag in (*stocks.flags, *to_check.flags)]
    answers: dict[str, Answer | list[Answer]] = {
        "stock": stocks,
        "cover": cover.cover(picture),
        "moulds": moulds.moulds(picture),
        "settings": settings,
        "rates": rates.rates(picture, since, picture.at),
        "attention": to_check,
    }
    plain: dict[str, Any] = {
        name: [one.as_dict() for one in given] if isinstance(given, list) else given.as_dict()
        for name, given in answers.items()
    }
    return Answer(
        question="brief",
        as_of=picture.as_of,
        known_on=picture.known_on,
        values={
            "shop": picture.plant.shop.name,
            "period": {"since": first.isoformat(), "until": picture.as_of},
            "answers": plain,
        },
        basis=(
            Basis(
                "brief", "the answers of one moment, from one unchanging picture of the book", "record", picture.head
            ),
        ),
        cautions=dangers.cautions("brief", handled.of_plant(picture.plant), raised),
        head=picture.head,
    )
