"""What tests read from an answer."""

from __future__ import annotations

from sandtrack.shop import Answer


def codes(answer: Answer) -> set[str]:
    """Codes of an answer's flags."""
    return {flag.code for flag in answer.flags}


def text_of(answer: Answer, code: str) -> str:
    """Text of the one flag with this code."""
    (text,) = [flag.text for flag in answer.flags if flag.code == code]
    return text


def basis_of(answer: Answer, what: str) -> tuple[str, str]:
    """Value and tag of one basis."""
    (found,) = [(entry.value, entry.tag) for entry in answer.basis if entry.what == what]
    return found
