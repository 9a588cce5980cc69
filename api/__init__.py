"""The shop's book over HTTP: records in, answers out. It advises people and opens no valve."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from flask import Flask

__all__ = ["create_app"]


def create_app(config: Mapping[str, Any]) -> Flask:
    """Return the WSGI application for one shop file.

    Parameters
    ----------
    config : mapping
        `SANDTRACK_SHOP`, the path of the shop file; `SANDTRACK_TOKENS`, the path of its tokens (default: beside the
        shop file); `SANDTRACK_CLOCK`, microseconds since 1970 (default: the system's);
        `SANDTRACK_CLOCK_IS_RIGHT`, whether that clock may be over 400 days past the last record; any of Flask's
        settings.

    Raises
    ------
    ShopFileError
        When the shop file is not named or cannot be opened.
    """
    # Tokens and the table of roles are asked for by the command line too, which must not wait for Flask.
    from .application import make

    return make(config)
