"""The named rates of a period: how much sand came back, how much is used again, what it takes for a tonne of castings.

There is no rate of reclaim as such: each rate says what it divides by what.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from functools import partial
from statistics import fmean
from typing import Any

from sandtrack.ledger import Flow
from sandtrack.ledger.reading import LONG_AGO
from sandtrack.plant import MOULDS
from sandtrack.records import times
from sandtrack.shop import laboratory
from sandtrack.shop.answer import Answer, Basis, Flag, Range
from sandtrack.shop.circuit.castings import Metal, metal
from sandtrack.shop.circuit.circuits import Circuit, circuits, fed, kind_of, reclaimed_materials, returned
from sandtrack.shop.circuit.ratios import Rate, Sum, rate_range, worked_out
from sandtrack.shop.picture import KG, Picture
from sandtrack.trade import reclaim

WEIGHED = "masses as booked: used and reclaimed sand carry their loss on ignition, sand in moulds is without its binder"


def rates(picture: Picture, since_us: int, until_us: int) -> Answer:
    """The named rates of a period, for the whole shop, for each reclaimer and for each circuit of sand.

    Values: `rates` {name: value, unit, numerator_kg, denominator_kg, meaning, basis, because}, `by_reclaimer` and
    `by_circuit` {key: {name: the same}}, `circuits` {key: systems and places}, `loi_pct` {place: latest, at, series}.
    Ranges: `rates.NAME`, `by_reclaimer.KEY.NAME`, `by_circuit.KEY.NAME`.
    """
    period = Period(picture, since_us, until_us)
    tests = laboratory.results(picture, since_us, until_us)
    groups = {
        "rates": list(period.shop_rates(tests)),
        **{f"by_reclaimer.{key}": [period.reclaim_yield((key,))] for key in period.reclaimers},
        **{f"by_circuit.{circuit.key}": list(period.circuit_rates(circuit, tests)) for circuit in period.circuits},
    }
    ranges: dict[str, Range] = {}
    unknown: list[str] = []
    for group, found in groups.items():
        for rate in found:
            span = rate_range(picture, rate)
            if span is not None:
                ranges[f"{group}.{rate.name}"] = span
            elif rate.value is not None and group == "rates" and rate.unit != "%/%":
                unknown.append(rate.name)
    flags = [*period.metal.flags(), *period.flags()]
    if unknown:
        flags.append(
            Flag("mass_error_not_known", f"mass error not known, so no range: {', '.join(unknown).replace('_', ' ')}")
        )
    return Answer(
        question="rates",
        as_of=picture.as_of,
        known_on=picture.known_on,
        values={
            "since": times.show(since_us, picture.zone),
            "until": times.show(until_us, picture.zone),
            "rates": {rate.name: rate.told() for rate in groups["rates"]},
            "by_reclaimer": _nested(groups, "by_reclaimer."),
            "by_circuit": _nested(groups, "by_circuit."),
            "circuits": {
                circuit.key: {"binder_systems": list(circuit.systems), "places": sorted(circuit.places)}
                for circuit in period.circuits
            },
            "loi_pct": _loi(picture, tests),
        },
        ranges=ranges,
        basis=(
            Basis("masses", WEIGHED, "record", picture.head),
            Basis("castings", "good castings of moulds poured in the period, whenever counted", "record", picture.head),
            Basis(
                "changes of stock",
                "stock at the end less stock at the start, what counts found included, first counts left out",
                "record",
                picture.head,
            ),
            Basis("range", "errors of measures and counts to first order, steady ones added up", "derived", "set-up"),
        ),
        flags=tuple(flags),
        head=picture.head,
    )


def _nested(groups: dict[str, list[Rate]], prefix: str) -> dict[str, dict[str, Any]]:
    return {
        group.removeprefix(prefix): {rate.name: rate.told() for rate in found}
        for group, found in groups.items()
        if group.startswith(prefix)
    }


class Period:
    """Flows of a period, sorted by what they mean for the rates."""

    def __init__(self, picture: Picture, since: int, until: int) -> None:
        self.picture, self.since, self.until = picture, since, until
        self.flows = [flow for flow in picture.reader.flows(since - 1, until) if picture.day.is_sand(flow.material)]
        self.circuits = circuits(picture, self.flows)
        self.reclaimed = reclaimed_materials(picture, self.flows)
        self.reclaimers = [key for key, place in picture.plant.places.items() if place.kind == "reclaimer"]
        self.heaps = [key for key, place in picture.plant.places.items() if place.kind == "heap"]
        self.cores = [key for key, place in picture.plant.places.items() if place.kind == "core_store"]
        self.metal: Metal = metal(picture, since, until)

    # -- sums ---------------------------------------------------------------------------------------------------

    def flowed(self, fits: Callable[[Flow], bool]) -> Sum:
        """The flows of sand that fit."""
        return Sum.of(flow for flow in self.flows if fits(flow))

    def mixed(self, materials: Callable[[str], bool] = lambda _: True) -> Sum:
        """Sand drawn into mixes."""
        return self.flowed(
            lambda flow: (
                flow.kind == "mix" and "conversion" not in (flow.source, flow.target) and materials(flow.material)
            )
        )

    def brought_in(self) -> Sum:
        """Sand that gets into moulds past the mixers: bought cores, and sand moved in from elsewhere than the cores."""
        return self.flowed(
            lambda flow: (
                (flow.kind == "delivery" and flow.target in self.cores)
                or (flow.kind == "transfer" and flow.target == MOULDS and flow.source not in self.cores)
            )
        )

    def change(self, places: Iterable[str]) -> Sum:
        """Growth of the sand in places over the period, what first counts found left out."""
        reader, total, variance = self.picture.reader, 0, 0.0
        wanted = set(places)
        for place, material in reader.holdings():
            if place not in wanted or not self.picture.day.is_sand(material):
                continue
            total += reader.stock_mg(place, material, self.until) - reader.stock_mg(place, material, self.since - 1)
            counts = [] if place == MOULDS else reader.anchors(place, material, self.until)
            if not counts:
                continue
            start = reader.anchor(place, material, self.since - 1)
            if start is None:
                start = counts[0]
                total -= start.mass_mg - reader.net_mg(place, material, LONG_AGO, start.at)
            if start != counts[-1]:  # the error of one and the same count falls out of the change
                variance += sum(
                    (count.mass_mg / KG * (count.error_pct or 0.0) / 200) ** 2 for count in (start, counts[-1])
                )
        return Sum(other_kg=total / KG, other_kg2=variance)

    def returned(self, reclaimers: Iterable[str] | None = None) -> Sum:
        wanted = set(self.reclaimers if reclaimers is None else reclaimers)
        return self.flowed(lambda flow: flow.source in wanted and returned(self.picture, flow))

    # -- rates --------------------------------------------------------------------------------------------------

    def shop_rates(self, tests: list[laboratory.Result]) -> Iterator[Rate]:
        yield self.reclaim_yield(self.reclaimers)
        share = self._share(
            self.mixed(lambda material: material in self.reclaimed), self.mixed(), "all sand drawn into mixes"
        )
        yield share
        due = self.mixed() + self.brought_in()
        changes = self.change((MOULDS, *self.cores, *self.heaps, *self.reclaimers))
        yield self._recovery(
            self.returned(),
            due,
            changes,
            "sand mixed (and cores bought) less the growth of moulds, cores, heaps and reclaimers",
        )
        yield self._loi_removal(self.heaps, self._silos(), tests)
        yield self._mean_uses(share)
        yield from self._per_tonne()

    def circuit_rates(self, circuit: Circuit, tests: list[laboratory.Result]) -> Iterator[Rate]:
        if circuit.reclaimers:
            yield self.reclaim_yield(circuit.reclaimers)
        out = self.flowed(lambda flow: flow.source == MOULDS and flow.target in circuit.heaps)
        mixed = Sum(tuple(pair for pair in out.flows if not self._is_core(pair[0].material)))
        reclaimed = Sum(tuple(pair for pair in mixed.flows if pair[0].material in self.reclaimed))
        share = self._share(
            reclaimed, mixed, "all sand knocked out to its heaps, cores left out: mixers draw new sand for all systems"
        )
        yield share
        yield self._recovery(
            self.returned(circuit.reclaimers),
            out,
            self.change((*circuit.heaps, *circuit.reclaimers)),
            "sand that left moulds for its heaps less the growth of heaps and reclaimers",
        )
        yield self._loi_removal(circuit.heaps, circuit.silos, tests)
        yield self._mean_uses(share)

    def reclaim_yield(self, reclaimers: Iterable[str]) -> Rate:
        """Usable sand out of each kg that reclaimers kept."""
        wanted = set(reclaimers)
        back, into = self.returned(wanted), self.flowed(lambda flow: flow.target in wanted and fed(self.picture, flow))
        lumps = self.flowed(
            lambda flow: (
                flow.kind == "reclaim_run" and flow.source in wanted and kind_of(self.picture, flow.target) == "heap"
            )
        )
        value = worked_out(
            lambda: reclaim.reclaim_yield(fed_kg=into.kg, returned_kg=back.kg, lumps_returned_kg=lumps.kg)
        )
        return Rate(
            "reclaim_yield",
            back,
            into - lumps,
            "usable sand out of the reclaimer ÷ (used sand fed − lumps given back to the heap)",
            WEIGHED,
            "nothing was fed to a reclaimer",
            value,
        )

    def _share(self, reclaimed: Sum, sand: Sum, of: str) -> Rate:
        value = worked_out(
            lambda: reclaim.reclaimed_share(reclaimed_kg=reclaimed.kg, new_kg=max(0.0, (sand - reclaimed).kg))
        )
        return Rate("reclaimed_share", reclaimed, sand, f"reclaimed sand ÷ {of}", WEIGHED, "no sand was mixed", value)

    def _recovery(self, back: Sum, due: Sum, changes: Sum, of: str) -> Rate:
        value = worked_out(
            lambda: reclaim.sand_recovery(returned_kg=back.kg, mixed_kg=due.kg, heaps_change_kg=changes.kg)
        )
        return Rate(
            "sand_recovery",
            back,
            due - changes,
            f"sand returned to the silo ÷ ({of})",
            WEIGHED,
            "no sand was due back in the period",
            value,
        )

    def _mean_uses(self, share: Rate) -> Rate:
        r = share.value
        value = None if r is None else worked_out(lambda: reclaim.mean_uses(r))
        if share.whole is None or share.part is None:
            return Rate("mean_uses", None, None, "", WEIGHED, share.because)
        return Rate(
            "mean_uses",
            share.whole,
            share.whole - share.part,
            "1 ÷ (1 − reclaimed share): how often a grain is used before it leaves, in a steady circuit",
            WEIGHED,
            "no sand was mixed" if r is None else "no new sand was mixed",
            value,
            "uses",
        )

    def _loi_removal(self, heaps: Iterable[str], silos: Iterable[str], tests: list[laboratory.Result]) -> Rate:
        into, out = (_mean_loi(tests, set(places)) for places in (heaps, silos))
        several = len(self.circuits) > 1 and set(heaps) == set(self.heaps)
        value = None
        because = "several circuits: see each" if several else ""
        if not several:
            missing = [what for what, loi in (("used sand of the heap", into), ("reclaimed sand", out)) if loi is None]
            because = f"no loss on ignition of the {' and the '.join(missing)} was tested in the period"
            if into is not None and out is not None:
                loi_in, loi_out = into, out
                value = worked_out(lambda: reclaim.loi_removal(loi_in_pct=loi_in, loi_out_pct=loi_out))
                because = "the used sand lost nothing on ignition"
        return Rate(
            "loi_removal",
            None,
            None,
            "(LOI of the heap − LOI of reclaimed sand) ÷ LOI of the heap",
            f"means of the period's tests: heap {_pct(into)}, reclaimed {_pct(out)}",
            because,
            value,
            "%/%",
        )

    def _per_tonne(self) -> Iterator[Rate]:
        new = self.mixed(self._is_new) + self.flowed(
            lambda flow: flow.kind == "transfer" and flow.target == MOULDS and self._is_new(flow.material)
        )
        waste = self.flowed(lambda flow: flow.target == "off_site")
        moulds = self.flowed(lambda flow: flow.target == MOULDS)
        good, poured = self.metal.good_kg, self.metal.poured_kg
        for name, mass, what in (("new_sand", new, "new sand used"), ("waste", waste, "sand that left the site")):
            yield self._on_metal(f"{name}_per_t_castings", mass, good, what, "good castings")
            yield self._on_metal(f"{name}_per_t_poured", mass, poured, what, "metal poured")
        yield self._on_metal("sand_to_metal_castings", moulds, good, "sand into moulds", "good castings")
        yield self._on_metal("sand_to_metal_poured", moulds, poured, "sand into moulds", "metal poured")

    def _on_metal(self, name: str, sand: Sum, metal_kg: float | None, what: str, of: str) -> Rate:
        """A mass of sand for each tonne of metal; of metal poured and of castings it is the same division."""
        calculation: Callable[[float, float], float] = {
            "new_sand": lambda mass, metal: reclaim.new_sand_per_t_castings(new_sand_kg=mass, good_castings_kg=metal),
            "waste": lambda mass, metal: reclaim.waste_per_t_castings(waste_kg=mass, good_castings_kg=metal),
            "sand_to_metal": lambda mass, metal: reclaim.sand_to_metal(mould_sand_kg=mass, poured_kg=metal),
        }[name.removesuffix("_castings").removesuffix("_poured").removesuffix("_per_t")]
        value = None if metal_kg is None else worked_out(lambda: calculation(sand.kg, metal_kg))
        whole = None if metal_kg is None else Sum(other_kg=metal_kg)
        return Rate(name, sand, whole, f"{what} ÷ {of}", WEIGHED, f"no {of} recorded", value, "t/t")

    # -- materials ----------------------------------------------------------------------------------------------

    def _role(self, material: str) -> str:
        return str(self.picture.day.find("materials", material).role)

    def _is_new(self, material: str) -> bool:
        return self._role(material) in ("new", "") and material not in self.reclaimed

    def _is_core(self, material: str) -> bool:
        return self._role(material) == "core"

    def _silos(self) -> list[str]:
        return sorted({flow.target for flow in self.flows if returned(self.picture, flow)})

    def flags(self) -> Iterator[Flag]:
        """What keeps the yield from telling the truth."""
        ask = partial(self.picture.records, "reclaim_run", since=self.since, until=self.until)
        without = len(list(ask(lacking="fed")))
        if without:
            runs = len(list(ask()))
            yield Flag(
                "fed_not_weighed",
                f"{without} of {runs} reclaim runs have no fed mass: it is taken as the sum of what came out, so "
                "the reclaim yield leaves out what was lost",
            )


def _mean_loi(tests: list[laboratory.Result], places: set[str]) -> float | None:
    found = [loi for test in tests if test.place in places and (loi := test.value(laboratory.LOI)) is not None]
    return fmean(found) if found else None


def _pct(value: float | None) -> str:
    return "not tested" if value is None else f"{value:.2f} %"


def _loi(picture: Picture, tests: list[laboratory.Result]) -> dict[str, dict[str, Any]]:
    """Loss on ignition by place: every test of the period, and the latest."""
    found: dict[str, dict[str, Any]] = {}
    for test in tests:
        loi = test.value(laboratory.LOI)
        if loi is not None and test.place:
            at = times.show(test.at, picture.zone)
            entry = found.setdefault(test.place, {"series": []})
            entry["series"].append({"at": at, "loi_pct": loi, "method": test.method})
            entry["latest"], entry["at"] = loi, at
    return found
