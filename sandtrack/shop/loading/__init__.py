"""Files and folders into the ledger: everything checked first, then written in portions."""

from sandtrack.shop.loading.load import Progress, load, open_folder
from sandtrack.shop.loading.result import PROBLEMS_KEPT, FileResult, LoadResult

__all__ = ["PROBLEMS_KEPT", "FileResult", "LoadResult", "Progress", "load", "open_folder"]
