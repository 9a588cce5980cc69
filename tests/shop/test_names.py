"""Names that nobody knows are refused where they arrive, with the nearest known one; what is in the book replays."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from sandtrack import Shop
from sandtrack.errors import InputErrors
from sandtrack.ledger.writing import Writer

Make = Callable[..., Shop]
CAUGHT = {
    "at": "2025-03-03 07:00", "mixer": "m1", "setting": 40, "catches": [{"seconds": 10, "mass_kg": 1}],
}  # fmt: skip


@pytest.mark.parametrize(
    ("kind", "record", "says"),
    [
        ("calibration", {**CAUGHT, "stream": "resn"}, "stream: 'resn' is no stream of mixer m1; did you mean resin?"),
        ("calibration", {**CAUGHT, "stream": "pump 3"}, "stream: 'pump 3' is no stream of mixer m1"),
        ("sand_test", {"test": "ph", "sample": {"place": "silo_nwe"}, "results": {"ph": 6}}, "did you mean silo_new"),
        ("level", {"place": "New sand silo", "level_m": 1}, "did you mean silo_new (New sand silo)?"),
        ("delivery", {"place": "silo_new", "mass_amount": 2, "mass_measure": "bukket"}, "did you mean bucket"),
        ("temperature", {"what": "mixed sand", "mixer": "m1", "value_c": 20}, "did you mean mixed_sand?"),
        ("temperature", {"what": "mixed_sand", "mixer": "Large mixer", "value_c": 20}, "mean m1 (Large mixer)?"),
        ("hold", {"place": "silo_ne", "reason": "wet"}, "did you mean silo_new"),
    ],
)
def test_unknown_names_are_refused_with_the_nearest(
    make_shop: Make, content: dict[str, Any], kind: str, record: dict[str, Any], says: str
):
    """In a calibration's stream, a sample's place, measures, words of a list: what, and what to write."""
    content["places"]["silo_new"]["name"] = "New sand silo"
    content["mixers"]["m1"]["name"] = "Large mixer"
    content["measures"] = {"bucket": {"mass_kg": 600}}
    with pytest.raises(InputErrors) as caught:
        make_shop(content).log(kind, {"at": "2025-03-03 07:00", **record}, sender="ida")
    assert says in str(caught.value)


def test_streams_by_a_system_or_a_material_are_known(make_shop: Make, content: dict[str, Any]):
    """A stream goes by its own name, by SYSTEM_NAME where a pump is one system's, or by its material."""
    shop = make_shop(content)
    for stream in ("new_sand", "furan_resin", "catalyst", "acid", "ester_slow"):
        assert shop.log("calibration", {**CAUGHT, "stream": stream}, sender="ida").new


def test_a_book_of_earlier_days_replays(make_shop: Make, content: dict[str, Any], monkeypatch: pytest.MonkeyPatch):
    """A calibration of `pump 3`, taken when nobody asked, is no violation today."""
    shop = make_shop(content)
    before = Writer.__init__

    def lenient(self: Writer, *args: Any) -> None:
        before(self, *args)
        self.replaying = True

    with monkeypatch.context() as patch:
        patch.setattr(Writer, "__init__", lenient)
        shop.log("calibration", {**CAUGHT, "stream": "pump 3"}, sender="ida")
    assert shop.verify() == []
    with pytest.raises(InputErrors):
        shop.log("calibration", {**CAUGHT, "stream": "pump 3"}, sender="otto")


def test_no_bare_number_is_silently_metric_over_http_or_in_the_library(make_shop: Make, content: dict[str, Any]):
    """In a US shop `mass: 49000` is refused in JSON too, in streams as well; names with a unit are as they were."""
    content["shop"]["units"] = "us"
    shop = make_shop(content)
    for bare in ({"mass": 49000}, {"mass": "49000"}):
        with pytest.raises(InputErrors, match="mass_lb"):
            shop.log("delivery", {"at": "2025-03-03 07:00", "place": "silo_new", **bare}, sender="ida")
    mix = {"at": "2025-03-03 07:00", "mixer": "m1", "binder_system": "furan", "moulds": ["1"]}
    with pytest.raises(InputErrors, match=r"streams\[0\].mass"):
        shop.log("mix", {**mix, "streams": [{"place": "silo_new", "mass": 300}]}, sender="ida")
    for good in ({"mass_lb": 49000}, {"mass": "49000 lb"}, {"mass_kg": 22226}):
        assert shop.log("delivery", {"at": "2025-03-03 07:00", "place": "silo_new", **good}, sender="ida").new
