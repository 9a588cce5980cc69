"""What may not be used: held by a person, failed by its certificate, or of the wrong material."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from sandtrack.records import times
from sandtrack.shop.answer import Flag
from sandtrack.shop.picture import Picture, Seen


@dataclass(frozen=True)
class Block:
    """One cause that blocks a place, lot or mould until a later release."""

    what: str
    """place, lot or mould"""
    key: str
    seq: int
    flag: Flag


def blocked(picture: Picture) -> list[Block]:
    """Everything blocked at the instant asked about. A release lifts only what was recorded before it."""
    released: dict[tuple[str, str], int] = {}
    for seen in picture.records("release"):
        for what in ("place", "lot", "mould"):
            if what in seen.values:
                key = (what, seen.values[what])
                released[key] = max(released.get(key, 0), seen.seq)
    found: dict[tuple[str, str, str], Block] = {}
    for block in _causes(picture):
        if block.seq > released.get((block.what, block.key), 0):
            found[(block.what, block.key, block.flag.code)] = block
    return list(found.values())


def _causes(picture: Picture) -> Iterator[Block]:
    for seen in picture.records("hold"):
        for what in ("place", "lot", "mould"):
            if what in seen.values:
                yield _block(picture, seen, what, seen.values[what], "held", f"held: {seen.values['reason']}")
    for seen in picture.records("delivery", "transfer"):
        place = seen.values.get("place") or seen.values.get("target")
        if place is None:
            continue
        day = picture.setups.on(seen.at)
        own = day.material_at(place)
        material = seen.values.get("material") or (
            day.material_at(seen.values["source"]) if "source" in seen.values else own
        )
        if own and material != own:
            yield _block(
                picture,
                seen,
                "place",
                place,
                "wrong_material",
                f"{picture.name('materials', material)} was put into it, which is set up for "
                f"{picture.name('materials', own)}",
            )
        for reason in failed(picture, seen, material):
            what, key = ("lot", seen.values["lot"]) if "lot" in seen.values else ("place", place)
            yield _block(picture, seen, what, key, "failed_certificate", reason)


def failed(picture: Picture, seen: Seen, material: str) -> Iterator[str]:
    """Why the certificate of a delivery fails, if it does: by its own word, or by the limits of the set-up."""
    certificate = seen.values.get("certificate", {})
    if certificate.get("passed") is False:
        yield "its certificate says that it failed"
    limits = picture.setups.on(seen.at).find("materials", material).limits if material else {}
    for name, (low, high) in limits.items():
        value = certificate.get(name)
        if isinstance(value, float) and ((low is not None and value < low) or (high is not None and value > high)):
            bounds = " to ".join(f"{bound:g}" if bound is not None else "…" for bound in (low, high))
            yield f"its certificate says {name} {value:g}, outside {bounds}"


def _block(picture: Picture, seen: Seen, what: str, key: str, code: str, reason: str) -> Block:
    name = picture.name("places", key) if what == "place" else f"{what} {key}"
    text = f"{name} is blocked since {times.show(seen.at, picture.zone)}: {reason} ({seen.kind} {seen.id})"
    return Block(what, key, seen.seq, Flag(code, text, key))
