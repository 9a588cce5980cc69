"""Who may do what: permissions by role, what a token is bound to, and what it may withdraw. All else is refused."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, NamedTuple

from sandtrack.errors import FieldError, InputErrors, SandtrackError
from sandtrack.ledger.brought import Brought, Withdrawn
from sandtrack.records import KINDS
from sandtrack.shop import dangers

from .roles import ASKS, HOUR_US, ISSUE, RECORDS, ROLES, Role
from .tokens import Token, Tokens

__all__ = ["ANYTHING", "ASKS", "ISSUE", "LINES", "RECORDS", "ROLES", "Bearer", "Forbidden", "require"]

ANYTHING = "anything"
"""What any token may do: needs a token and no permission by itself."""
LINES = "record:lines"
"""To send lines: of whoever may record anything; each line is judged by itself."""

_OPTIONAL = {
    field: frozenset(
        f"record:{name}"
        for name, kind in KINDS.items()
        if field in kind._declared_fields and not kind._declared_fields[field].required
    )
    for field in ("mixer", "place", "reclaimer")
}
"""Records that may leave out what a token is bound to, and then count for each."""

_NO_ROLE = Role("a role that there is no more")
_VERBS = {"ask": "ask for", "issue": "give out a"}


class Forbidden(SandtrackError):
    """A token that may not do this."""

    code = "forbidden"

    def __init__(self, message: str, permission: str) -> None:
        super().__init__(message)
        self.permission = permission


def require(role: str, permission: str) -> None:
    """Raise Forbidden, naming the roles that may, unless the role has the permission."""
    own = ROLES.get(role)
    if permission == ANYTHING or (own is not None and permission in own.permissions):
        return
    may = [name for name, has in ROLES.items() if permission in has.permissions]
    verb, _, of = permission.partition(":")
    what = f"{_VERBS.get(verb, verb)} {of}".strip()
    raise Forbidden(f"a token of role {role} may not {what}; it needs one of: {', '.join(may) or 'none'}", permission)


class Bearer(NamedTuple):
    """Who asks or sends: a token in force, and all tokens there are."""

    token: Token
    tokens: Tokens

    @property
    def role(self) -> Role:
        """Its role."""
        return ROLES.get(self.token.role, _NO_ROLE)

    def require_in_force(self) -> None:
        """Raise Forbidden where its token was revoked, or expired, since the request began."""
        if not self.tokens.is_in_force(self.token):
            raise Forbidden("the token was revoked or has expired meanwhile: nothing more was taken", LINES)

    # -- as whom, and of what -------------------------------------------------------------------------------------

    def require_sender(self, permission: str, sender: Any) -> None:
        """Raise Forbidden where it names another sender and may not."""
        if sender is None or sender == self.token.name:
            return
        if self.role.relays:
            if sender.casefold() not in self.tokens.people():
                return
            raise Forbidden(f"{sender} has a token, or had one: nobody else speaks as {sender}", permission)
        raise Forbidden(
            f"this token speaks as {self.token.name} alone: sender is another. Leave sender out, and say in `by` who "
            "did it; what others recorded is brought by a token of role gateway",
            permission,
        )

    def require_dealing(self, kind: str, content: Mapping[str, Any]) -> None:
        """Raise Forbidden where a record says that a danger was dealt with, and this role may not release."""
        code = content.get("code")
        if kind == "dealt_with" and isinstance(code, str) and dangers.is_danger(code):
            require(self.token.role, "record:release")

    def require_own(self, permission: str, content: Mapping[str, Any]) -> None:
        """Raise Forbidden where it speaks of another mixer or place than its own, or leaves its own out."""
        field, own = self.role.bound_field, self.token.bound_to
        if not field:
            return
        bound = f"this token is bound to {field} {own}"
        given = content.get(field)
        if given is not None and given != own:
            raise Forbidden(f"{bound}: {field} is another", permission)
        if given is None and permission in _OPTIONAL[field]:
            raise Forbidden(f"{bound}: without {field} this counts for every one; say {field} {own}", permission)
        if field == "place" and permission == "record:temperature" and content.get("what") != "place":
            raise Forbidden(f"{bound}: what is another; say what place", permission)

    def narrowed(self, question: str, arguments: dict[str, Any]) -> dict[str, Any]:
        """A question's arguments with what is its own; raise Forbidden where it asks after what is not."""
        permission = f"ask:{question}"
        if self.role.bound_field == "mixer" and "mixer" in arguments:
            self.require_own(permission, arguments)
        if self.role.bound_field == "mixer" and question == "tables":
            arguments = {**arguments, "mixer": self.token.bound_to}
        if question == "records" and self.role.own_only and not self.role.relays:
            self.require_sender(permission, arguments.get("sender"))
            arguments = {**arguments, "sender": self.token.name}
        return arguments

    @property
    def scope(self) -> str:
        """What its answers depend on, other than the question: nothing, or whose it is."""
        return f"{self.token.bound_to} {self.token.name}" if self.role.own_only else ""

    def require_id(self, record_id: Any) -> None:
        """Raise InputErrors where a machine sends without an id: sent again it would be a second record."""
        if record_id is None and self.role.machine:
            problem = FieldError(
                field="id",
                reason="is missing: sent again without it, this would be a second record",
                accepted="an id of the sender's own for each record, such as a running number",
            )
            raise InputErrors([problem], what="the record")

    # -- what it brings -------------------------------------------------------------------------------------------

    def brought(self, sender: str) -> Brought:
        """What the ledger keeps and asks of what it brings, as a sender."""
        return Brought(
            token=self.token.id,
            name=self.token.name,
            machine=self.role.machine,
            own=self.tokens.of_machine(self.token.name) if self.role.machine else frozenset(),
            may_withdraw=lambda withdrawn: self._require_withdrawal(withdrawn, sender),
        )

    def _require_withdrawal(self, withdrawn: Withdrawn, sender: str) -> None:
        """Raise Forbidden where it may not withdraw this record."""
        permission = "record:reversal"
        name = f"{withdrawn.kind} {withdrawn.id!r} of {withdrawn.sender}"
        if withdrawn.blocks:
            if "record:release" in self.role.permissions:
                return
            may = ", ".join(role for role, has in ROLES.items() if "record:release" in has.permissions)
            raise Forbidden(
                f"{name} blocks what it names: only who may release withdraws it ({may}). "
                "Where all is well again it is released, not withdrawn",
                "record:release",
            )
        if self.role.own_only:
            self._require_own_record(withdrawn, sender, name)
        elif withdrawn.sender != self.token.name:
            try:
                require(self.token.role, f"record:{withdrawn.kind}")
            except Forbidden as problem:
                raise Forbidden(f"{name} is of another sender: {problem.message}", permission) from None

    def _require_own_record(self, withdrawn: Withdrawn, sender: str, name: str) -> None:
        brought = not withdrawn.token_kept or withdrawn.token in self.tokens.bringing(sender)
        if withdrawn.sender != sender or not brought:
            raise Forbidden(f"this token withdraws its own records alone: {name} is another's", "record:reversal")
        limit = self.role.withdraws_for_us
        if limit is not None and withdrawn.age_us > limit:
            raise Forbidden(
                f"{name} was recorded more than {limit / HOUR_US:g} h ago: ask somebody who may withdraw it with a "
                "token of their own",
                "record:reversal",
            )
