"""The questions that can be asked over HTTP, each with its declared arguments."""

from __future__ import annotations

import inspect
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from sandtrack.errors import FieldError, InputErrors
from sandtrack.records import KINDS
from sandtrack.records import fields as f
from sandtrack.records.events import PURPOSES
from sandtrack.records.observations import DEFINITIONS
from sandtrack.records.schema import Declared
from sandtrack.shop import Answer, Shop

MOST_RECORDS = 1_000
QUICK = frozenset({"setting", "stopped", "tables"})
MOST_TABLES = 10**9


class When(f.Text):
    """A time of a question, as text: the shop reads it in its own zone."""

    accepted = f.Instant.accepted + "; in an address '+' is written %2B"


class DayText(f.Text):
    """A day of a question, as text."""

    accepted = f.Day.accepted


class Whole(f.Number):
    """A whole number."""

    def convert(self, raw: Any, unit: str, label: str) -> int:
        number = super().convert(raw, unit, label)
        if not number.is_integer():
            raise FieldError(field=label, value=raw, reason="is not a whole number", accepted=self.span)
        return int(number)


class Paged(Declared):
    """A question whose answer may have more flags than are shown at once."""

    flags_from = Whole("how many flags to pass over: `flags_more.next` of the answer before", least=0, most=10**9)


class AtArguments(Paged):
    """A question about an instant."""

    at = When("the instant asked about; default: now; a date is its end")
    known_on = DayText("as known by the end of this day; default: as known now")


class BriefArguments(Paged):
    """The morning brief."""

    at = AtArguments._declared_fields["at"]


class PeriodArguments(Paged):
    """A question about a period."""

    since = When("start of the period; a date is its start", required=True)
    until = When("end of the period; a date is its end", required=True)
    known_on = AtArguments._declared_fields["known_on"]


class SettingArguments(AtArguments):
    """What to set at a mixer."""

    mixer = f.Key("the mixer", required=True, refers="mixers")
    binder_system = f.Key("the binder system", required=True, refers="binder_systems")
    sand_temp_c = f.Temperature("temperature of the mixed sand; default: the last one recorded")
    strip_time_min = f.Minutes("strip time wanted", above=0)
    pattern = f.Key("the pattern card, for its box and its usual strip time", refers="patterns")
    box_sand_kg = f.Kilograms("sand that the box takes", above=0)
    purpose = f.Choice("what the sand is in the mould", words=PURPOSES)
    chance = f.Share("chance of having stripped by the wanted time")
    pattern_temp_c = f.Temperature("temperature of the pattern: its face may strip last, or set first")
    surroundings_c = f.Temperature("temperature that the mould stands in")
    time_constant_min = f.Minutes("time in which the mould comes 63 % of the way there; default: a cube's", above=0)
    catalyst_pct = f.Percent("ask what this amount of catalyst, on resin, would do", most=200)
    fast_share = f.Share("ask what this share of the fast grade would do")


class TableAsked(Declared):
    """What a table is to be of."""

    mixer = f.Key("the mixer", required=True, refers="mixers")
    binder_system = f.Key("the binder system", required=True, refers="binder_systems")
    lowest_c = f.Temperature("coldest sand", required=True)
    highest_c = f.Temperature("warmest sand", required=True)
    step_c = f.Number("degrees Celsius from row to row; default: 2", above=0)
    strip_time_min = f.Minutes("strip time wanted", above=0)
    pattern = f.Key("the pattern card, for its box and its usual strip time", refers="patterns")
    box_sand_kg = f.Kilograms("sand that the box takes", above=0)
    purpose = f.Choice("what the sand is in the mould", words=PURPOSES)
    chance = f.Share("chance of having stripped by the wanted time")


class TableArguments(AtArguments, TableAsked):
    """Settings by sand temperature."""


class TablesArguments(AtArguments):
    """Tables that were given out."""

    number = Whole("only the table of this number", least=1, most=MOST_TABLES)
    mixer = f.Key("only tables of this mixer", refers="mixers")


class StoppedArguments(AtArguments):
    """A fill that stopped."""

    mixer = f.Key("the mixer", required=True, refers="mixers")
    binder_system = f.Key("the binder system", required=True, refers="binder_systems")
    minutes_ago = f.Minutes("how long ago it stopped", required=True)
    sand_temp_c = f.Temperature("temperature of the mixed sand; default: the last one recorded")
    filled_for_min = f.Minutes("how long the fill had run by then")
    purpose = f.Choice("what the sand is in the mould", words=PURPOSES)
    catalyst_pct = f.Percent("what was set; default: as the last mix drew it", most=200)
    fast_share = f.Share("the share of the fast grade that was set")
    pattern_temp_c = SettingArguments._declared_fields["pattern_temp_c"]
    surroundings_c = SettingArguments._declared_fields["surroundings_c"]
    time_constant_min = SettingArguments._declared_fields["time_constant_min"]


class LearnedArguments(AtArguments):
    """What strip checks have taught."""

    binder_system = f.Key("the binder system", required=True, refers="binder_systems")
    definition = f.Choice("how strip is judged; default: as the reference's", words=DEFINITIONS)


class CalibrationArguments(AtArguments):
    """What a mixer's calibrations say."""

    mixer = f.Key("the mixer", required=True, refers="mixers")


class AuditArguments(Paged):
    """What mixes held against what they should have."""

    mixer = f.Key("only this mixer", refers="mixers")
    since = When("start of the period; a date is its start; default: 35 days before its end")
    until = When("end of the period; a date is its end; default: now")
    known_on = AtArguments._declared_fields["known_on"]


class RecordsArguments(Paged):
    """Which records are to be found again."""

    kind = f.Choice("only this kind", words=(*KINDS, "plant"))
    sender = f.Name("only of this sender")
    id = f.Name("only this id")
    since = When("from this time on; a date is its start")
    until = When("up to this time; a date is its end")
    place = f.Key("only records that name this place", refers="places")
    mould = f.Name("only records about this mould")
    text = f.Text("only records that hold this text", longest=200)
    since_id = f.Name("only what the ledger took after the record of this id; needs its sender")
    limit = Whole("how many at the most; default: 100", least=1, most=MOST_RECORDS)
    after = f.Name("go on from here: `next` of the answer before")
    known_on = AtArguments._declared_fields["known_on"]


class HeadArguments(Declared):
    """The end of the chain."""

    head = f.Text(
        'a head that was printed, as in "302 records, c44a73233dd6b388": does the chain hold it?', longest=200
    )


Ask = Callable[[Shop, Mapping[str, Any]], Answer]


@dataclass(frozen=True)
class Question:
    """One resource: GET /v1/NAME with these arguments."""

    name: str
    arguments: Declared
    ask: Ask
    fixed_by: str = ""
    """The argument that names the instant asked about: without it the answer is of the minute it is given in."""

    @property
    def quick(self) -> bool:
        """Whether a device waits for it: it is answered on threads that no costly question holds."""
        return self.name in QUICK

    @property
    def summary(self) -> str:
        """What is asked, in one sentence."""
        return (inspect.getdoc(getattr(Shop, self.name)) or "").split("\n")[0]


def _ask(name: str) -> Ask:
    def ask(shop: Shop, arguments: Mapping[str, Any]) -> Answer:
        answer: Answer = getattr(shop, name)(**arguments)
        return answer

    return ask


_SAYS: tuple[tuple[str, type[Declared], str], ...] = (
    ("stock", AtArguments, "at"),
    ("cover", AtArguments, "at"),
    ("moulds", AtArguments, "at"),
    ("setting", SettingArguments, "at"),
    ("table", TableArguments, "at"),
    ("tables", TablesArguments, "at"),
    ("stopped", StoppedArguments, "at"),
    ("learned", LearnedArguments, "at"),
    ("attention", AtArguments, "at"),
    ("brief", BriefArguments, "at"),
    ("rates", PeriodArguments, "until"),
    ("balance", PeriodArguments, "until"),
    ("calibration", CalibrationArguments, "at"),
    ("audit", AuditArguments, "until"),
    ("records", RecordsArguments, ""),
    ("head", HeadArguments, ""),
)
QUESTIONS = tuple(Question(name, arguments(), _ask(name), fixed_by) for name, arguments, fixed_by in _SAYS)


def read(question: Question, given: Mapping[str, list[str]]) -> dict[str, Any]:
    """The arguments of a query string; raise InputErrors for one that is unknown, wrong, missing or there twice."""
    problems = [
        FieldError(field=name, value=", ".join(values), reason="is there more than once", accepted="one value")
        for name, values in given.items()
        if len(values) > 1
    ]
    found, wrong = question.arguments.check({name: values[0] for name, values in given.items()})
    if problems or wrong:
        raise InputErrors([*problems, *wrong], what="the question")
    return found
