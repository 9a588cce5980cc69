"""Who was refused: one line in the log for each 401 and 403, with address and route, and nothing that is secret.

What a request says of itself is not repeated: a token may stand in an address or a name by mistake.
"""

from __future__ import annotations

import logging

from flask import g, request

_log = logging.getLogger("sandtrack_api.refusals")


def note(status: int, why: str, token_id: str = "", *, lines: int = 0) -> None:
    """Log a refusal of the request at hand; `lines` are how many lines of an upload were refused."""
    bearer = g.get("bearer")
    if bearer is not None:
        token_id, role = bearer.token.id, bearer.token.role
    else:
        role = ""
    _log.warning(
        "%d %s %s from %s%s%s: %s%s",
        status,
        request.method if request.method.isalpha() and len(request.method) <= 10 else "?",
        request.url_rule or "no such route",
        request.remote_addr or "?",
        f" token {token_id}" if token_id else "",
        f" ({role})" if role else "",
        why,
        f", {lines} lines" if lines else "",
    )
