"""What drive a shop file lies on: SQLite's write-ahead log does not work over a network (sqlite.org/wal.html).

All programs that use the file must run on one computer, for they share memory beside it. What the system calls a
network drive is refused. Not to be seen from here: a folder that a service copies to other computers, a virtual disk
whose image lies on a server, and a drive that says "written" before it has.
"""

from __future__ import annotations

import os
import re
import sys
from pathlib import Path, PureWindowsPath

from sandtrack.errors import ShopFileError

NETWORK = frozenset(
    {"9p", "afs", "beegfs", "ceph", "cifs", "coda", "davfs", "glusterfs", "gpfs", "lustre", "ncpfs", "nfs", "nfs4"}
    | {"ocfs2", "prl_fs", "pvfs2", "smb2", "smb3", "smbfs", "vboxsf", "virtiofs", "vmhgfs", "fuse.vmhgfs-fuse"}
    | {"fuse.curlftpfs", "fuse.davfs2", "fuse.glusterfs", "fuse.rclone", "fuse.s3fs", "fuse.sshfs"}
)
"""File systems, as Linux names them, behind which another computer may hold the same file."""
LOCAL_FUSE = frozenset({"fuseblk", "fuse.encfs", "fuse.fuse-overlayfs", "fuse.gocryptfs", "fuse.mergerfs"})

_MOUNTS = Path("/proc/self/mountinfo")
_OCTAL = re.compile(r"\\([0-7]{3})")
_DRIVE_REMOTE = 4


def refuse_network(path: Path) -> None:
    """Raise ShopFileError where the file lies on a network drive."""
    found = network(path)
    if found:
        raise ShopFileError(
            f"{path} lies on a network drive ({found}), where two computers could spoil it between them: keep the "
            "shop file on a disk of the computer that runs sandtrack, let others ask it over `sandtrack serve`, and "
            "put backups on the network drive with `sandtrack backup --to`",
            path=path,
            fault="network",
            file_system=found,
        )


def network(path: Path) -> str:
    """What kind of network drive a file lies on, or ""."""
    if sys.platform == "win32":
        return _windows(path)
    if is_unc(str(path)):
        return "a network share"
    kind = file_system(path)
    return kind if kind in NETWORK else ""


def doubt(path: Path) -> str:
    """What cannot be told about a drive and matters, or ""."""
    kind = file_system(path)
    if kind.startswith("fuse") and kind not in NETWORK | LOCAL_FUSE:
        return (
            f"{path} lies on a drive of kind {kind}, and whether another computer is behind it cannot be told: "
            "use it from this computer only"
        )
    return ""


def is_unc(text: str) -> bool:
    """Whether a path names a share of another computer, as \\\\server\\share."""
    return PureWindowsPath(text).drive.startswith("\\\\") and text.startswith("\\\\")


def file_system(path: Path, mounts: str | None = None) -> str:
    """The kind of file system that holds a path, by Linux's list of mounts (proc(5), mountinfo); "" elsewhere."""
    if mounts is None:
        try:
            mounts = _MOUNTS.read_text(encoding="utf-8", errors="surrogateescape")
        except OSError:
            return ""
    where = os.path.realpath(path)
    best, kind = "", ""
    for line in mounts.splitlines():
        before, _, after = line.partition(" - ")
        fields, kinds = before.split(" "), after.split(" ")
        if len(fields) < 5 or not kinds[0]:
            continue
        point = _OCTAL.sub(lambda found: chr(int(found[1], 8)), fields[4])
        inside = point == "/" or where == point or where.startswith(point + "/")
        if inside and len(point) >= len(best):  # a later mount hides an earlier one on the same point
            best, kind = point, kinds[0]
    return kind


def _windows(path: Path) -> str:
    if sys.platform != "win32":
        return ""
    import ctypes

    drive = path.absolute().drive
    if is_unc(drive):
        return "a network share"
    remote = ctypes.windll.kernel32.GetDriveTypeW(f"{drive}\\") == _DRIVE_REMOTE
    return f"the network drive {drive}" if remote else ""
