"""Files and folders into the ledger: everything checked first, then written in portions."""

from sandtrack.shop.loading.load import PROBLEMS_KEPT, FileResult, LoadResult, Progress, load, open_folder

__all__ = ["PROBLEMS_KEPT", "FileResult", "LoadResult", "Progress", "load", "open_folder"]
