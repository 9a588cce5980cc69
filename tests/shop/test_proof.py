"""The end of the chain kept outside the file, heads that people hold against it, and `verify` that goes on."""

from __future__ import annotations

import json
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest
from click.testing import CliRunner
from sandtrack_api import create_app
from sandtrack_api.tokens import Tokens

from sandtrack.cli import main
from sandtrack.errors import InputErrors
from sandtrack.ledger import Head, outside
from sandtrack.shop import Shop, proof
from sandtrack.shop.answer import Verified

from .conftest import PLANT, Clock


@pytest.fixture
def clock() -> Clock:
    """A clock that stands until it is set."""
    return Clock("2025-03-15 12:00")


@pytest.fixture
def path(tmp_path: Path, clock: Clock) -> Path:
    """A shop file with 31 deliveries of 1 t and the set-up, all of it in the file itself."""
    path = tmp_path / "a.sandtrack"
    with Shop.create(path, PLANT, clock=clock) as shop:
        deliver(shop, 1, 31)
        shop.ledger.store.connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    return path


@pytest.fixture
def shop(path: Path, clock: Clock) -> Iterator[Shop]:
    """The same, open."""
    with Shop.open(path, clock=clock) as shop:
        yield shop


def deliver(shop: Shop, first: int, last: int) -> None:
    """Deliveries of 1 t of new sand."""
    for number in range(first, last + 1):
        content = {"at": "2025-03-01 08:00", "place": "silo_new", "mass_kg": 1000}
        shop.log("delivery", content, sender="gate", id=f"d{number}")


def codes(found: list) -> list[str]:
    """Codes of flags or violations."""
    return [one.code for one in found]


def doubts(shop: Shop) -> list[str]:
    """What an answer says against itself; the one about the chain has no other flags."""
    return codes(shop.head().flags)


def without_log(path: Path) -> Path:
    """The shop file as it is when the log beside it is deleted: what was written last is not in it."""
    cut = path.with_name("cut.sandtrack")
    shutil.copy(path, cut)
    shutil.copy(outside.head_name(path), outside.head_name(cut))
    return cut


def edit(path: Path, statement: str) -> None:
    """Change rows behind the ledger's back, its guards taken away and put back."""
    with closing(sqlite3.connect(path)) as raw, raw:
        guards = raw.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'").fetchall()
        for name, _ in guards:
            raw.execute(f"DROP TRIGGER {name}")
        assert raw.execute(statement).rowcount > 0
        for _, sql in guards:
            raw.execute(sql)


# -- the end of the chain ---------------------------------------------------------------------------------------


def test_a_log_deleted_after_31_records_is_found(tmp_path: Path, clock: Clock):
    """A whole chain that ends too early: `verify` says so, every answer says so, until what is missing is back."""
    path = tmp_path / "a.sandtrack"
    with Shop.create(path, PLANT, clock=clock) as shop:
        shop.ledger.store.connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        shop.ledger.store.connection.execute("PRAGMA wal_autocheckpoint=0")
        deliver(shop, 1, 31)
        assert shop.verify() == []
        cut = without_log(path)
    with Shop.open(cut, clock=clock) as shop:
        assert shop.ledger.head().records == 1
        answer = shop.brief()
        assert codes(answer.flags) == [proof.LOST]
        assert "there were 32" in answer.flags[0].text
        (found,) = shop.verify()
        assert (found.code, found.subject) == ("cut_off", "records 2 to 32")
        # What happens is recorded all the same, and what was lost is not forgotten for it.
        deliver(shop, 32, 32)
        assert doubts(shop) == [proof.LOST, proof.FAILED]
        deliver(shop, 33, 70)
        assert shop.ledger.head().records == 40
        assert doubts(shop) == [proof.LOST, proof.FAILED]
        assert codes(shop.verify()) == ["head_kept"]
        outside.head_name(cut).unlink()  # somebody decided to go on without
        assert shop.verify() == []
        assert doubts(shop) == []


def test_the_head_kept_outside_is_only_ever_behind(path: Path, shop: Shop):
    """An older head, as a stopped machine may leave it, is no violation, and is brought up with the next record."""
    name = outside.head_name(path)
    before = name.read_bytes()
    deliver(shop, 40, 41)
    assert outside.kept(path).heads == (shop.ledger.head(),)
    name.write_bytes(before)
    assert shop.verify() == []
    assert doubts(shop) == []
    deliver(shop, 42, 42)
    assert outside.kept(path).heads == (shop.ledger.head(),)


@pytest.mark.parametrize("text", [
    b"\0" * 80, b"rubbish", b"  12 0123456789\n", b"0 " + b"ab" * 32, b"-4 " + b"ab" * 32,
    b"9223372036854775808 " + b"ab" * 32,
])  # fmt: skip
def test_a_head_that_cannot_be_read_is_found(path: Path, shop: Shop, text: bytes):
    """It is no help then, and that is said; the next record writes it anew."""
    outside.head_name(path).write_bytes(text)
    assert codes(shop.verify()) == ["head_unreadable"]
    assert doubts(shop) == [proof.FAILED]
    deliver(shop, 40, 40)
    assert outside.kept(path).heads == (shop.ledger.head(),)
    assert shop.verify() == []


def test_a_backup_has_its_head_beside_it_and_a_restore_replaces_what_is_beside_the_shop(
    path: Path, shop: Shop, clock: Clock, tmp_path: Path
):
    """An older state put back on purpose has no lost end; what it replaced keeps its own head."""
    backup = tmp_path / "friday.sandtrack"
    head, _ = shop.backup(backup)
    assert outside.kept(backup).heads == (head,)
    deliver(shop, 40, 45)
    assert shop.verify() == []
    last = shop.ledger.head()
    shop.close()
    done = Shop.restore(backup, path, older_too=True)
    assert outside.kept(path).heads == (head,)
    assert outside.kept(done.kept).heads == (last,)
    with Shop.open(path, clock=clock) as again:
        assert doubts(again) == []
        assert again.stock().verified is None
        assert again.verify() == []


# -- heads that people have -------------------------------------------------------------------------------------


def test_a_printed_head_is_held_against_the_chain(path: Path, shop: Shop):
    """As answers print it, with its beginning alone, in the library, on the command line and over HTTP."""
    printed = shop.stock().head
    deliver(shop, 40, 41)
    digest = shop.ledger.head().digest
    assert shop.verify(printed) == []
    assert shop.verify([f"34 {digest[:8]}", Head(34, digest)]) == []
    other = "34 records, 0123456789abcdef"
    assert codes(shop.verify(other)) == ["printed"]
    assert codes(shop.verify("99 records, 0123456789abcdef")) == ["printed"]
    assert shop.head(printed).values["holds"] is True
    assert (shop.head(other).values["holds"], shop.head(other).possible) == (False, False)
    assert doubts(shop) == []  # a slip of who types a head does not make the file doubtful
    for text in ("", "34", "34 records", "0123456789abcdef", "34 records, 0123", "34 records, 0123456789zz",
                 "0 records, 0123456789abcdef", f"{2**63} records, 0123456789abcdef"):  # fmt: skip
        with pytest.raises(InputErrors, match="no head of the chain"):
            shop.verify(text)
    run = CliRunner().invoke
    assert run(main, ["verify", "--shop", str(path), "--head", printed]).exit_code == 0
    wrong = run(main, ["verify", "--shop", str(path), "--head", other])
    assert (wrong.exit_code, "not the one that was printed" in wrong.output) == (4, True)
    assert run(main, ["verify", "--shop", str(path), "--head", "34"]).exit_code == 2
    _, token = Tokens.beside(path).make(role="manager", name="greta")
    client = create_app({"SANDTRACK_SHOP": str(path)}).test_client()
    for text, holds in ((printed, True), (other, False)):
        answer = client.get("/v1/head", query_string={"head": text}, headers={"Authorization": f"Bearer {token}"})
        assert (answer.status_code, answer.json["values"]["holds"]) == (200, holds)


def test_an_answer_over_http_says_that_verify_failed_within_a_minute(path: Path, shop: Shop, clock: Clock):
    """Also one that was kept, or that a client has: what is said of the file changes without a record."""
    _, token = Tokens.beside(path).make(role="manager", name="greta")
    headers = {"Authorization": f"Bearer {token}"}
    client = create_app({"SANDTRACK_SHOP": str(path), "SANDTRACK_CLOCK": clock}).test_client()
    first = client.get("/v1/stock?at=2025-03-14", headers=headers)
    edit(path, "UPDATE flow SET records = records + 1")
    assert shop.verify() != []
    clock.now += 60_000_000
    again = client.get("/v1/stock?at=2025-03-14", headers={**headers, "If-None-Match": first.headers["ETag"]})
    assert (again.status_code, again.json["flags"][0]["code"]) == (200, proof.FAILED)


# -- a run that goes on -----------------------------------------------------------------------------------------


def test_verify_goes_on_from_a_clean_run_and_says_what_it_did_not_do(path: Path, shop: Shop, clock: Clock):
    """Answers carry what was verified; a run that went on says up to where, and since when; --whole does all."""
    assert shop.stock().verified is None
    noon = "2025-03-15T12:00:00+01:00"
    assert shop.verify() == []
    clock.set("2025-03-16 12:00")
    deliver(shop, 40, 42)
    assert shop.stock().verified == Verified(32, f"32 records, {_hash(shop, 32)[:16]}", noon, noon)
    run = shop.verification()
    assert (list(run), run.since) == ([], 32)
    assert shop.stock().verified.records == 35
    assert shop.stock().verified.whole_at == noon
    ended = CliRunner().invoke(main, ["verify", "--shop", str(path), "--json"])
    assert json.loads(ended.output)["compared_up_to"] == 35
    ended = CliRunner().invoke(main, ["verify", "--shop", str(path)])
    assert "Records 1 to 35 were read" in ended.output
    assert "sandtrack verify --whole" in ended.output
    ended = CliRunner().invoke(main, ["verify", "--shop", str(path), "--whole", "--json"])
    assert json.loads(ended.output)["compared_up_to"] == 0


def _hash(shop: Shop, record: int) -> str:
    with shop.ledger.reader() as reader:
        return reader.hash_of(record) or ""


@pytest.mark.parametrize(
    ("change", "code"),
    [
        ("UPDATE record SET content = replace(content, '1000', '1001') WHERE seq = 5", "hash"),
        ("UPDATE movement SET mass_mg = mass_mg + 1 WHERE record = 5", "movement"),
        ("UPDATE flow SET records = records + 1", "flow"),
        ("UPDATE holding SET mass_mg = mass_mg - 1 WHERE place = 'silo_new'", "holding"),
        ("UPDATE revision SET valid_from = valid_from + 1", "revision"),
        ("UPDATE setting SET value = 'Europe/Berlin'", "setting"),  # whose clocks are those of the shop's own zone
        ("INSERT INTO setting VALUES ('name', 'x')", "setting"),
    ],
)
def test_a_run_that_goes_on_finds_what_changed_before_it(path: Path, shop: Shop, change: str, code: str):
    """Rows of records that it does not work out again are compared with those of the clean run."""
    assert shop.verify() == []
    shop.close()
    edit(path, change)
    deliver(shop, 40, 40)
    assert code in codes(shop.verify())
    assert doubts(shop) == [proof.FAILED]  # and answers say so until a run finds nothing


def test_answers_are_no_longer_doubtful_after_a_clean_run(path: Path, shop: Shop):
    """What was hurt and mended: the next clean run says so."""
    edit(path, "UPDATE flow SET records = records + 1")
    assert shop.verify() != []
    assert doubts(shop) == [proof.FAILED]
    edit(path, "UPDATE flow SET records = records - 1")
    run = shop.verification()
    assert (list(run), run.since) == ([], 0)
    assert doubts(shop) == []


@pytest.mark.parametrize("how", ["flipped", "cut", "gone", "another"])
def test_a_hurt_copy_makes_the_run_a_whole_one(path: Path, shop: Shop, how: str):
    """What a run goes on from is itself checked: where it does not fit, everything is worked out again."""
    assert shop.verify() == []
    copy = outside.replay_name(path)
    whole = copy.read_bytes()
    if how == "flipped":
        edit(copy, "UPDATE holding SET mass_mg = mass_mg + 1 WHERE place = 'silo_new'")
    elif how == "cut":
        copy.write_bytes(whole[: len(whole) // 2])
    elif how == "gone":
        copy.unlink()
    else:
        edit(copy, "DELETE FROM record WHERE seq = 32")
    run = shop.verification()
    assert (list(run), run.since) == ([], 0)
    run = shop.verification()
    assert (list(run), run.since) == ([], 32)


def test_verify_says_how_far_it_is(shop: Shop):
    """From nothing to all of it, never backwards."""
    content = {"at": "2025-03-01 08:00", "place": "silo_new", "mass_kg": 1000}
    shop.ledger.append_all(
        shop.ledger.entry("delivery", content, sender="gate", record_id=f"many-{number}") for number in range(1000)
    )
    steps: list[tuple[int, int]] = []
    assert shop.verify(whole=True, progress=lambda done, total: steps.append((done, total))) == []
    assert {total for _, total in steps} == {2 * shop.ledger.head().records}
    assert [done for done, _ in steps] == sorted(done for done, _ in steps)
    assert len(steps) == 4  # at records 500 and 1000, on both walks
