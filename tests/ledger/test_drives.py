"""Drives that a shop file may lie on: what is told of them, and that a network drive is refused."""

from __future__ import annotations

from contextlib import closing
from pathlib import Path

import pytest

from sandtrack.errors import ShopFileError
from sandtrack.ledger import Ledger, drives
from sandtrack.ledger.backup import backup

from .shops import new_shop, stock_kg
from .test_bad_days import delivery, filled, refusal

# Lines as in proc(5), /proc/pid/mountinfo.
MOUNTS = r"""
22 1 8:1 / / rw,relatime shared:1 - ext4 /dev/sda1 rw
30 22 0:40 / /home rw - btrfs /dev/sdb rw
41 22 0:45 / /mnt/works rw,relatime shared:9 - nfs4 server:/works rw,vers=4.2
42 22 0:46 / /mnt/sand\040plant rw - cifs //server/sand rw
43 22 0:47 / /media/box rw - fuse.sshfs box:/ rw
44 22 8:17 / /media/usb rw - fuseblk /dev/sdc1 rw
45 22 0:48 / /cloud rw - fuse.unheard_of none rw
46 41 8:33 / /mnt/works/local rw - ext4 /dev/sdd1 rw
"""


@pytest.mark.parametrize(
    ("path", "kind"),
    [
        ("/srv/foundry.sandtrack", "ext4"),
        ("/home/ida/foundry.sandtrack", "btrfs"),
        ("/mnt/works/foundry.sandtrack", "nfs4"),
        ("/mnt/works/local/foundry.sandtrack", "ext4"),
        ("/mnt/workshop/foundry.sandtrack", "ext4"),
        ("/mnt/sand plant/foundry.sandtrack", "cifs"),
        ("/media/box/a/b", "fuse.sshfs"),
        ("/media/usb/a", "fuseblk"),
        ("/cloud/a", "fuse.unheard_of"),
    ],
)
def test_the_kind_of_drive_is_read_from_the_list_of_mounts(path: str, kind: str):
    """The longest mount point that holds the path counts; names with blanks are written in octal there."""
    assert drives.file_system(Path(path), MOUNTS) == kind


def test_a_network_drive_is_refused_and_its_backups_are_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """No shop is made or opened there; a backup there can be read, not written; a doubtful drive is only noted."""
    path = filled(tmp_path, 3)
    with closing(Ledger.open(path)) as ledger:
        monkeypatch.setattr(drives, "file_system", lambda path, mounts=None: "nfs4")
        backup(ledger, tmp_path / "friday.shop")
    for words in (str(refusal(path)), str(refused_making(tmp_path / "plant"))):
        assert "lies on a network drive (nfs4), where two computers could spoil it between them: keep the" in words
        assert "let others ask it over `sandtrack serve`" in words
    assert list((tmp_path / "plant").iterdir()) == []
    with closing(Ledger.open(tmp_path / "friday.shop")) as ledger:
        assert stock_kg(ledger, "silo_new", "new_sand") == 15
        with pytest.raises(ShopFileError, match=r"not written: it lies on a network drive \(nfs4\)"):
            delivery(ledger, "more")
    monkeypatch.setattr(drives, "file_system", lambda path, mounts=None: "fuse.unheard_of")
    assert "whether another computer is behind it cannot be told" in drives.doubt(path)
    Ledger.open(path).close()
    monkeypatch.setattr(drives, "file_system", lambda path, mounts=None: "fuseblk")
    assert drives.doubt(path) == ""


def refused_making(folder: Path) -> ShopFileError:
    """The error of making a shop."""
    folder.mkdir()
    with pytest.raises(ShopFileError) as caught:
        new_shop(folder)
    return caught.value


@pytest.mark.parametrize(
    ("text", "share"), [(r"\\server\sand\a.shop", True), (r"C:\sand\a.shop", False), ("/srv/a.shop", False)]
)
def test_windows_shares_are_known_by_their_names(text: str, share: bool):
    """A path of the form \\\\server\\share lies on another computer."""
    assert drives.is_unc(text) == share
