"""What the ledger refuses, word for word: keys that no set-up has, masses that no place can take, bad names and ids."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest

from sandtrack.errors import InputErrors, SandtrackError
from sandtrack.ledger import Ledger

from .shops import PLANT, mix, stock_kg, tell

AT = "2025-03-01 08:00"
RUN = {"at": AT, "source": "heap_f", "reclaimer": "reclaimer", "to": "silo_back", "returned_kg": 800}
TABLE: list[tuple[str, dict[str, Any], list[str]]] = [
    (
        "delivery",
        {"at": AT, "place": "silo_nwe", "mass_kg": 1},
        [
            "place: 'silo_nwe' is not among the places; did you mean silo_new? Known are core_rack, heap_e, heap_f, "
            "reclaimer, silo_back, silo_new, skip_dust, tank_acid, tank_resin, yard"
        ],
    ),
    (
        "delivery",
        {"at": AT, "place": "silo_new", "material": "zinc", "mass_amount": 1, "mass_measure": "barrow"},
        [
            "material: 'zinc' is not among the materials; accepted: acid, cores, dust, new_sand, reclaimed, resin, "
            "used_e, used_f",
            "mass_measure: 'barrow' is not among the measures; accepted: bucket, scoop",
        ],
    ),
    (
        "delivery",
        {"at": AT, "place": "yard", "mass_kg": 1},
        ["material: is missing: yard has no material of its own in the set-up; accepted: the key of a material"],
    ),
    (
        "delivery",
        {"at": AT, "place": "skip_dust", "mass_kg": 1},
        ["place: 'skip_dust' is a skip; accepted: silo, hopper, tank, store, container, core store, heap"],
    ),
    (
        "delivery",
        {"at": AT, "place": "silo_new", "mass_t": 1001},
        [
            "mass_kg: '1001 t' is more than one record can say; "
            "accepted: up to 1000 t; what is more is told in several records"
        ],
    ),
    (
        "delivery",
        {"at": AT, "place": "silo_new", "mass_amount": "1e6", "mass_measure": "bucket"},
        [
            "mass_amount: '640000 t' is more than one record can say; "
            "accepted: up to 1000 t; what is more is told in several records"
        ],
    ),
    (
        "delivery",
        {"at": AT, "place": "silo_new", "mass_amount": "0.0000005", "mass_measure": "scoop"},
        ["mass_amount: 5E-7 makes no whole milligram; accepted: a larger amount"],
    ),
    (
        "mix",
        mix(AT, ["101"], [{"place": "silo_new", "mass_kg": 1}, {"place": "tank", "mass_kg": 1}], patterns=["p9"]),
        [
            "patterns[0]: 'p9' is not among the patterns; accepted: p1, p2",
            "streams[1].place: 'tank' is not among the places; did you mean tank_acid? Known are core_rack, heap_e, "
            "heap_f, reclaimer, silo_back, silo_new, skip_dust, tank_acid, tank_resin, yard",
        ],
    ),
    (
        "mix",
        mix(AT, ["101"], [{"place": "silo_new", "mass_kg": 1}, {"place": "yard", "mass_kg": 1}]),
        [
            "streams[1].material: is missing: yard has no material of its own in the set-up; "
            "accepted: the key of a material"
        ],
    ),
    (
        "mix",
        {
            "at": AT, "mixer": "m1", "binder_system": "furan", "destination": "silo_back",
            "streams": [{"place": "silo_new", "mass_kg": 1}],
        },
        ["destination: 'silo_back' is a silo; accepted: core store, heap, skip"],
    ),
    (
        "knock_out",
        {"at": AT, "moulds": ["101"], "to": "silo_back"},
        ["to: 'silo_back' is a silo; accepted: heap, skip"],
    ),
    (
        "mould_scrap",
        {"at": AT, "moulds": ["101"], "to": "tank_acid", "reason": "x"},
        ["to: 'tank_acid' is a tank; accepted: heap, skip"],
    ),
    ("reclaim_run", {**RUN, "reclaimer": "heap_e"}, ["reclaimer: 'heap_e' is a heap; accepted: reclaimer"]),
    ("reclaim_run", {**RUN, "to": "reclaimer"}, ["to: 'reclaimer' is the reclaimer itself; accepted: another place"]),
    (
        "reclaim_run",
        {**RUN, "source": "reclaimer"},
        ["source: 'reclaimer' is the reclaimer itself; accepted: another place"],
    ),
    ("strip_check", {"at": AT, "binder_system": "epoxy", "definition": "hand", "sand_temp_c": 20, "latest_min": 40}, [
        "binder_system: 'epoxy' is not among the binder systems; accepted: furan, phenolic"
    ]),
]  # fmt: skip


@pytest.mark.parametrize(("kind", "content", "messages"), TABLE)
def test_what_the_set_up_does_not_allow(ledger: Ledger, kind: str, content: dict[str, Any], messages: list[str]):
    """Everything that is wrong is told in one go; nothing is kept, and the id stays free."""
    head = ledger.head()
    with pytest.raises(InputErrors) as caught:
        tell(ledger, kind, "x", content)
    assert [str(problem) for problem in caught.value.problems] == messages
    assert ledger.head() == head


def test_the_rest_of_a_batch_is_kept(ledger: Ledger):
    """A refused record in the middle leaves no trace; those beside it are accepted."""
    contents = [{"at": AT, "place": place, "mass_kg": 1} for place in ("silo_new", "nowhere", "silo_new")]
    entries = [
        ledger.entry("delivery", content, sender="op", record_id=str(number)) for number, content in enumerate(contents)
    ]
    accepted, refused = ledger.append_all(entries)
    assert [one and one.seq for one in accepted] == [2, None, 3]
    assert [one.position for one in refused] == [1]
    assert stock_kg(ledger, "silo_new", "new_sand") == 2


@pytest.mark.parametrize(
    ("sender", "record_id", "message"),
    [
        ("", "1", "sender: '' is empty; accepted: a short text in one line, without ';'"),
        ("a;b", "1", "sender: 'a;b' holds a ';' or a sign that cannot be printed; accepted: a short text in one line, "
         "without ';'"),
        ("op", "x" * 101, f"id: '{'x' * 58}… is longer than 100 characters; accepted: a short text in one line, "
         "without ';'"),
        ("op", "a\nb", "id: 'a\\nb' holds a ';' or a sign that cannot be printed; accepted: a short text in one line, "
         "without ';'"),
    ],
)  # fmt: skip
def test_senders_and_ids_are_names(ledger: Ledger, sender: str, record_id: str, message: str):
    """Identity is (sender, id); both are short names in one line."""
    with pytest.raises(InputErrors) as caught:
        ledger.entry("count", {"at": AT, "place": "yard", "empty": True}, sender=sender, record_id=record_id)
    assert [str(problem) for problem in caught.value.problems] == [message]


def test_a_record_without_id_gets_one_of_its_own(ledger: Ledger):
    """Logged twice, it is two records."""
    content = {"at": AT, "place": "silo_new", "mass_kg": 1}
    for _ in range(2):
        assert ledger.append(ledger.entry("delivery", content, sender="op")).new
    assert stock_kg(ledger, "silo_new", "new_sand") == 2


@pytest.mark.parametrize("content", ["/etc/passwd", None, ["shop"], 3])
def test_a_set_up_is_content_and_never_a_path(ledger: Ledger, content: Any):
    """A text sent as a set-up is not opened as a file."""
    with pytest.raises(InputErrors, match="is not an object with sections"):
        ledger.entry("plant", content, sender="office")


@pytest.mark.parametrize(
    "content",
    [
        {"at": AT, "place": "silo_new", "mass_kg": 1, "note": "half \ud83d"},
        {"at": AT, "place": "silo_new", "mass_kg": 1, "certificate": {"by": "half \ud83d"}},
        {"at": AT, "place": "silo_new", "mass_kg": 1, "certificate": {"loi": Decimal("0.12345678901234567891")}},
    ],
)
def test_what_cannot_be_kept_exactly_is_refused_before_anything_is_written(ledger: Ledger, content: dict[str, Any]):
    """Halves of characters and numbers with too many digits."""
    with pytest.raises(InputErrors):
        ledger.entry("delivery", content, sender="op")
    with pytest.raises(InputErrors):
        ledger.entry("plant", {**PLANT, "people": {"ann": {"name": "half \ud83d"}}}, sender="office")


def test_the_largest_masses_add_up(ledger: Ledger):
    """Nine times 1000 t on one day, and a mould that takes as much: totals and squares stay exact or stop growing."""
    for number in range(9):
        tell(ledger, "delivery", f"d{number}", {"at": AT, "place": "silo_new", "mass_t": 1000})
        tell(ledger, "mix", f"m{number}", mix(AT, ["101"], [{"place": "silo_new", "mass_t": 1000}]))
    tell(ledger, "knock_out", "k", {"at": "2025-03-01 09:00", "moulds": ["101"], "to": "heap_f"})
    assert stock_kg(ledger, "heap_f", "used_f") == 9_000_000
    with ledger.reader() as reader:
        squares = {(flow.kind, flow.source): flow.mass_g2 for flow in reader.flows(0, 2**62)}
    assert squares["delivery", "supplier"] == 9 * (10**9) ** 2  # 1000 t = 10⁹ g
    assert squares["knock_out", "moulds"] == (10**9) ** 2


def test_an_error_is_always_of_the_one_family(ledger: Ledger):
    """Whatever is refused can be caught as SandtrackError."""
    with pytest.raises(SandtrackError):
        ledger.entry("delivry", {}, sender="op")
