"""Backups made while the shop works; restores that verify, compare, and keep what they replace."""

from __future__ import annotations

import sqlite3
import stat
import sys
import threading
from contextlib import closing
from pathlib import Path

import pytest

from sandtrack.errors import ShopFileError
from sandtrack.ledger import Ledger, outside
from sandtrack.ledger.backup import backup, restore

from .shops import new_shop, stock_kg, tell
from .test_bad_days import small_disk
from .test_many_at_once import holding


def delivery(ledger: Ledger, record_id: str, mass_kg: int = 5) -> None:
    """A delivery of new sand."""
    tell(ledger, "delivery", record_id, {"at": "2025-03-01 08:00", "place": "silo_new", "mass_kg": mass_kg})


def shop_and_backup(folder: Path, records: int = 3) -> tuple[Path, Path]:
    """A shop with a few deliveries of 5 kg, and its backup."""
    ledger, _ = new_shop(folder)
    for number in range(records):
        delivery(ledger, f"d{number}")
    backup(ledger, folder / "friday.shop")
    ledger.close()
    return folder / "test.shop", folder / "friday.shop"


def stock_of(path: Path) -> float:
    """New sand in a shop file's silo."""
    with closing(Ledger.open(path)) as ledger:
        assert list(ledger.verify()) == []
        return stock_kg(ledger, "silo_new", "new_sand")


def contents(path: Path) -> list[str]:
    """All that a shop file holds, as SQL."""
    with closing(sqlite3.connect(path)) as raw:
        return list(raw.iterdump())


def told(path: Path) -> tuple[list[tuple[object, ...]], str, list[str]] | bytes:
    """What a shop file holds and how it is kept, and what lies beside it; its bytes if it cannot be read."""
    try:
        with closing(sqlite3.connect(path)) as raw:
            records = raw.execute("SELECT * FROM record ORDER BY seq").fetchall()
            (journal,) = raw.execute("PRAGMA journal_mode").fetchone()
    except sqlite3.DatabaseError:
        return path.read_bytes()
    files = sorted(entry.name for entry in path.parent.iterdir() if not entry.name.endswith(("-wal", "-shm", "-lock")))
    return records, journal, files


def refused(source: Path, path: Path) -> str:
    """What a restore is refused with; the shop file is as it was, and nothing is left beside it."""
    before = told(path)
    with pytest.raises(ShopFileError) as caught:
        restore(source, path)
    assert told(path) == before
    return str(caught.value)


def test_a_backup_made_while_others_write_is_one_moment(tmp_path: Path):
    """Records go on meanwhile; each copy verifies, holds the chain up to its head, and is one file alone."""
    ledger, _ = new_shop(tmp_path)
    done = threading.Event()

    def write() -> None:
        for number in range(120):
            delivery(ledger, f"d{number}")
        done.set()
        ledger.close()

    writer = threading.Thread(target=write)
    writer.start()
    heads = []
    while not done.is_set():
        heads.append(backup(ledger, tmp_path / f"copy{len(heads)}.shop"))
    writer.join()
    assert len({head.records for head in heads}) > 2
    assert list(ledger.verify(heads)) == []
    for number, head in enumerate(heads[:: max(len(heads) // 5, 1)]):
        path = tmp_path / f"copy{number * max(len(heads) // 5, 1)}.shop"
        assert stock_of(path) == 5 * (head.records - 1)
    assert not [entry for entry in tmp_path.iterdir() if "making" in entry.name]
    ledger.close()


def test_a_backup_needs_no_file_beside_it_and_is_never_written_over(tmp_path: Path):
    """Its header says that it has no log (fileformat2.html, 1.3.3), so it opens anywhere; a name in use is refused."""
    path, friday = shop_and_backup(tmp_path)
    assert friday.read_bytes()[18:20] == b"\1\1"
    assert path.read_bytes()[18:20] == b"\2\2"
    with closing(Ledger.open(path)) as ledger, pytest.raises(ShopFileError, match="is there already"):
        backup(ledger, friday)


@pytest.mark.skipif(sys.platform == "win32", reason="rights of another kind")
def test_a_copy_is_for_the_same_people(tmp_path: Path):
    """A shop that its owner alone may read has such backups; what is put back may be read by whom it was before."""
    ledger, _ = new_shop(tmp_path)
    ledger.store.path.chmod(0o600)
    backup(ledger, tmp_path / "friday.shop")
    assert stat.S_IMODE((tmp_path / "friday.shop").stat().st_mode) == 0o600
    ledger.close()
    ledger.store.path.chmod(0o664)
    restore(tmp_path / "friday.shop", ledger.store.path)
    assert stat.S_IMODE(ledger.store.path.stat().st_mode) == 0o664


def test_a_damaged_shop_gives_no_backup(tmp_path: Path):
    """A page of noise is found before the copy gets its name."""
    path, _ = shop_and_backup(tmp_path, 60)
    with closing(sqlite3.connect(path)) as raw:
        (page,) = raw.execute("SELECT rootpage FROM sqlite_master WHERE name = 'movement_at'").fetchone()
    with path.open("r+b") as file:
        file.seek((page - 1) * 4096)
        file.write(b"\xa5" * 4096)
    with closing(Ledger.open(path)) as ledger, pytest.raises(ShopFileError, match="no backup was made"):
        backup(ledger, tmp_path / "saturday.shop")
    assert not (tmp_path / "saturday.shop").exists()


def test_a_backup_that_does_not_fit_leaves_nothing(tmp_path: Path):
    """A full disk under the copy: said, and no half copy is left."""
    path, _ = shop_and_backup(tmp_path)
    with small_disk(tmp_path / "disk") as disk:
        if disk is None:
            pytest.skip("no file system can be mounted here")
        (disk / "ballast").write_bytes(bytes(2_040_000))
        with closing(Ledger.open(path)) as ledger, pytest.raises(ShopFileError, match="the disk is full"):
            backup(ledger, disk / "saturday.shop")
        assert [entry.name for entry in disk.iterdir()] == ["ballast"]


def test_a_shop_that_is_gone_is_put_back(tmp_path: Path):
    """Where nothing stands, the backup is verified and put there; the backup itself is not touched."""
    path, friday = shop_and_backup(tmp_path)
    before = friday.read_bytes()
    path.unlink()
    done = restore(friday, path)
    assert (done.head.records, done.kept, done.before) == (4, None, None)
    assert stock_of(path) == 15
    assert friday.read_bytes() == before


@pytest.mark.parametrize("how", ["shop_gone", "backup_cut", "shop_lost_some"])
def test_what_a_restore_does_not_bring_back_is_named(tmp_path: Path, how: str):
    """A head beside the shop or the backup says that there was one record more (of five), and no file holds it."""
    path, friday = shop_and_backup(tmp_path)
    four = friday.read_bytes()
    with closing(Ledger.open(path)) as ledger:
        delivery(ledger, "later", 100)
        five = ledger.head()
    if how == "backup_cut":  # a copy made by hand without the log beside the file, its head with it
        friday = tmp_path / "copy.shop"
        friday.write_bytes(four)
        outside.head_name(friday).write_bytes(outside.head_name(path).read_bytes())
        kept, path = friday, tmp_path / "new.shop"
    elif how == "shop_gone":
        path.unlink()
        kept = path
    else:  # the shop itself was cut, and the backup is made of that
        path.write_bytes(four)
        friday = tmp_path / "saturday.shop"
        with closing(Ledger.open(path)) as ledger:
            assert ledger.lost() == five
            backup(ledger, friday)
        assert outside.kept(friday).lost == (five,)
        kept, path = friday, tmp_path / "new.shop"
    done = restore(friday, path)
    assert done.head.records == 4
    assert f"by {kept.name}.head there were 5 records: what is missing is in no file at hand" in done.note
    with closing(Ledger.open(path)) as ledger:
        assert ledger.lost() is None  # whoever restores was shown it: from here on this head counts
        assert list(ledger.verify()) == []


def test_what_the_replaced_file_holds_is_not_lost(tmp_path: Path):
    """An older state put in its place on purpose: the newer file is kept beside it, with its head."""
    path, friday = shop_and_backup(tmp_path)
    with closing(Ledger.open(path)) as ledger:
        delivery(ledger, "later", 100)
    done = restore(friday, path, older_too=True)
    assert "in no file" not in done.note
    assert outside.kept(path).lost == ()


def test_a_link_to_a_shop_is_that_shop(tmp_path: Path):
    """Opened by either name: one lock, one head, one log; a restore replaces the file, not the link."""
    path, friday = shop_and_backup(tmp_path)
    link = tmp_path / "link.shop"
    link.symlink_to(path)
    with closing(Ledger.open(link)) as ledger:
        delivery(ledger, "by-link", 100)
        assert outside.kept(path).heads == (ledger.head(),)
        with holding(path), pytest.raises(ShopFileError, match="is in use"):
            restore(friday, link, older_too=True)
    restore(friday, link, older_too=True)
    assert link.is_symlink()
    assert stock_of(path) == 15
    assert [entry.name for entry in tmp_path.iterdir() if entry.name.startswith("link.shop")] == ["link.shop"]


def test_an_older_state_is_put_over_a_newer_one_only_when_asked(tmp_path: Path):
    """The heads are compared and the difference told; with consent, the newer file is kept and is whole."""
    path, friday = shop_and_backup(tmp_path)
    with closing(Ledger.open(path)) as ledger:
        delivery(ledger, "later", 100)
    assert refused(friday, path) == (
        "the backup is older: test.shop holds 1 record that it lacks. Nothing was changed; to put it in place all the "
        "same, say --older-too (the present file is kept)"
    )
    done = restore(friday, path, older_too=True)
    assert (done.head.records, done.before and done.before.records) == (4, 5)
    assert done.kept
    assert done.kept.name.startswith("test.shop.before-restore-")
    assert stock_of(path) == 15
    assert stock_of(done.kept) == 115


def test_a_newer_backup_and_the_same_state_are_put_back(tmp_path: Path):
    """A shop set back a week takes this week's backup; the same state may be put back over a damaged total."""
    path, friday = shop_and_backup(tmp_path)
    with closing(Ledger.open(path)) as ledger:
        delivery(ledger, "later", 100)
        backup(ledger, tmp_path / "monday.shop")
    restore(friday, path, older_too=True)
    assert restore(tmp_path / "monday.shop", path).note == "the backup holds 1 record more"
    with closing(sqlite3.connect(path)) as raw, raw:
        raw.execute("UPDATE flow SET mass_mg = 1")
    done = restore(tmp_path / "monday.shop", path)
    assert done.note == "both end at the same record"
    assert stock_of(path) == 115


def test_histories_that_part_are_told_from_one_another(tmp_path: Path):
    """Records written on both sides of a restore: the place where the two part is named."""
    path, friday = shop_and_backup(tmp_path)
    with closing(Ledger.open(path)) as ledger:
        delivery(ledger, "one", 1)
        delivery(ledger, "two", 1)
    with closing(Ledger.open(friday)) as ledger:
        delivery(ledger, "other", 7)
    assert refused(friday, path).startswith(
        "the two part at record 5: test.shop holds 2 records that the backup lacks. Nothing was changed"
    )


def test_another_shop_is_never_written_over(tmp_path: Path):
    """A backup of another shop wants another name, whatever is asked."""
    path, _ = shop_and_backup(tmp_path)
    (tmp_path / "b").mkdir()
    other, _ = new_shop(tmp_path / "b", at="2025-01-03 08:00")
    backup(other, tmp_path / "b" / "friday.shop")
    other.close()
    assert "is another shop than the backup's" in refused(tmp_path / "b" / "friday.shop", path)
    with pytest.raises(ShopFileError, match="is another shop"):
        restore(tmp_path / "b" / "friday.shop", path, older_too=True)


@pytest.mark.parametrize("how", ["page", "cut", "total", "text", "missing", "newer", "itself"])
def test_a_backup_that_is_not_right_is_not_put_back(tmp_path: Path, how: str):
    """Noise in a page, cut short, a total changed, no shop, not there, newer, the shop file itself: each told."""
    path, friday = shop_and_backup(tmp_path, 60)
    if how == "page":
        with friday.open("r+b") as file:
            file.seek(friday.stat().st_size // 4096 // 2 * 4096)
            file.write(b"\xa5" * 4096)
    elif how == "cut":
        friday.write_bytes(friday.read_bytes()[:-8192])
    elif how == "total":
        with closing(sqlite3.connect(friday)) as raw, raw:
            raw.execute("UPDATE flow SET mass_mg = mass_mg + 1")
    elif how == "text":
        friday.write_text("this week's sand\n" * 500)
    elif how == "missing":
        friday.unlink()
    elif how == "newer":
        with closing(sqlite3.connect(friday)) as raw, raw:
            raw.execute("UPDATE _sqlite_migrations SET name = '007' WHERE name LIKE '001%'")
    words = {
        "page": "damaged|not as it was accepted",
        "cut": "so it was not put in place; try an older backup",
        "total": "friday.shop is not as it was accepted, so it was not put in place:\n",
        "text": "is not a shop file of sandtrack",
        "missing": "is not there",
        "newer": f"{friday} was written by a newer sandtrack (007); update this one",
        "itself": "is the shop file itself",
    }[how]
    assert any(word in refused(path if how == "itself" else friday, path) for word in words.split("|"))


def test_a_damaged_shop_is_replaced_and_kept(tmp_path: Path):
    """The file that can no longer be read stays beside the restored one, with what lay beside it."""
    path, friday = shop_and_backup(tmp_path)
    broken = b"SQLite format 3\0" + b"\xa5" * 9000
    path.write_bytes(broken)
    (tmp_path / "test.shop-wal").write_bytes(b"old log")
    done = restore(friday, path)
    assert done.note == "the file that stood there can no longer be read, so the two could not be compared"
    assert done.kept
    assert done.kept.read_bytes() == broken
    assert done.kept.with_name(done.kept.name + "-wal").read_bytes() == b"old log"
    assert stock_of(path) == 15


def test_a_shop_in_use_is_not_replaced(tmp_path: Path):
    """While another program has it open, its next records would go to the file put aside: refused."""
    path, friday = shop_and_backup(tmp_path)
    with holding(path), pytest.raises(ShopFileError, match="is in use: close every program that has it open"):
        restore(friday, path, wait_s=0.1)
    assert stock_of(path) == 15


def test_who_opens_the_file_as_it_is_replaced_meets_the_new_one(tmp_path: Path):
    """An object that was made before and had let go of the file works on what now has the name."""
    path, friday = shop_and_backup(tmp_path)
    ledger = Ledger.open(path)
    delivery(ledger, "later", 100)
    ledger.close()
    restore(friday, path, older_too=True)
    delivery(ledger, "again", 1)
    assert stock_kg(ledger, "silo_new", "new_sand") == 16
    ledger.close()
