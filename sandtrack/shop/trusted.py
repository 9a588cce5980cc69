"""What stands around every question: each answer says how far the file behind it was verified.

A name that nobody asked for comes of damage, and is not the asker's mistake.
"""

from __future__ import annotations

import functools
from collections.abc import Callable
from dataclasses import replace
from typing import Concatenate, ParamSpec, Protocol, TypeVar

from sandtrack.errors import UnknownName
from sandtrack.ledger import Ledger
from sandtrack.shop import proof
from sandtrack.shop.answer import Answer


class _OfALedger(Protocol):
    ledger: Ledger


Of = TypeVar("Of", bound=_OfALedger)
Asked = ParamSpec("Asked")


def question(method: Callable[Concatenate[Of, Asked], Answer]) -> Callable[Concatenate[Of, Asked], Answer]:
    """A method of Shop that answers a question."""

    @functools.wraps(method)
    def answered(shop: Of, /, *args: Asked.args, **kwargs: Asked.kwargs) -> Answer:
        try:
            answer = method(shop, *args, **kwargs)
        except UnknownName as problem:
            if problem.details.get("key") not in (*args, *kwargs.values()):  # so the file itself holds it
                shop.ledger.store.look_for_damage(problem)
            raise
        raised = proof.flags(shop.ledger)
        return replace(answer, flags=(*raised, *answer.flags), verified=proof.verified(shop.ledger))

    return answered
