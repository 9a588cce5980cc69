"""What every calculation of the trade promises: its words, its units, its sources, its imports."""

from __future__ import annotations

import ast
import dataclasses
import doctest
import importlib
import inspect
import pkgutil
import re
from pathlib import Path

import pytest

import sandtrack.trade as trade

MODULES = sorted(info.name for info in pkgutil.walk_packages(trade.__path__, f"{trade.__name__}.") if not info.ispkg)
PUBLIC = [importlib.import_module(name) for name in MODULES if not name.rsplit(".", 1)[1].startswith("_")]
ALLOWED = {
    "__future__", "collections", "dataclasses", "enum", "functools", "itertools", "math", "numbers", "numpy",
    "statistics", "types", "typing",
}  # fmt: skip
UNIT = re.compile(r"\[[^\]]+\]")


def members():
    """Every public function, class and method that the trade's modules define themselves."""
    for module in PUBLIC:
        for name, thing in vars(module).items():
            if name.startswith("_") or getattr(thing, "__module__", None) != module.__name__:
                continue
            where = f"{module.__name__.rsplit('.', 1)[1]}.{name}"
            if inspect.isfunction(thing):
                yield where, thing
            elif inspect.isclass(thing):
                yield where, thing
                for inner, attribute in vars(thing).items():
                    if inner.startswith("_"):
                        continue
                    if isinstance(attribute, classmethod):
                        yield f"{where}.{inner}", attribute.__func__
                    elif isinstance(attribute, property) or inspect.isfunction(attribute):
                        yield f"{where}.{inner}", attribute


CALLS = {where: thing for where, thing in members() if inspect.isfunction(thing)}
PROPERTIES = {where: thing for where, thing in members() if isinstance(thing, property)}
RECORDS = {where: thing for where, thing in members() if inspect.isclass(thing) and dataclasses.is_dataclass(thing)}


def section(thing, title):
    """Lines of one section of a docstring, or None."""
    lines = inspect.getdoc(thing).splitlines()
    for at, line in enumerate(lines[:-1]):
        if line == title and set(lines[at + 1]) == {"-"}:
            end = next((k - 1 for k in range(at + 3, len(lines)) if lines[k] and set(lines[k]) == {"-"}), len(lines))
            return [text for text in lines[at + 2 : end] if text.strip()]
    return None


def entries(lines):
    """(names, description) of each entry of a Parameters or Attributes section."""
    found = []
    for line in lines or []:
        if not line.startswith(" ") and " : " in line:
            names, _, kind = line.partition(" : ")
            found.append(([name.strip() for name in names.split(",")], kind))
        else:
            names, text = found[-1]
            found[-1] = (names, f"{text} {line}")
    return found


@pytest.mark.parametrize("where", CALLS)
def test_parameters_are_documented_in_order_with_a_unit(where):
    """Each parameter of a calculation is described, in the order of the signature, with its unit."""
    wanted = [name for name in inspect.signature(CALLS[where]).parameters if name not in ("self", "cls")]
    described = entries(section(CALLS[where], "Parameters"))
    assert [name for names, _ in described for name in names] == wanted
    for names, text in described:
        assert UNIT.search(text), f"{names} of {where} has no unit"


@pytest.mark.parametrize("where", CALLS)
def test_result_has_a_unit_a_source_and_an_example(where):
    """Each calculation says what it gives in which unit, where it comes from, and shows one use."""
    doc = inspect.getdoc(CALLS[where])
    assert UNIT.search(doc.splitlines()[0]), f"first line of {where} has no unit"
    assert UNIT.search(" ".join(section(CALLS[where], "Returns") or [])), f"result of {where} has no unit"
    source = " ".join(section(CALLS[where], "Source") or [])
    assert re.match(r"(source|practice|memory|derived): \S", source), f"{where} names no source"
    assert ">>>" in doc, f"{where} has no example"


@pytest.mark.parametrize("where", CALLS)
def test_signatures_are_annotated(where):
    """Every parameter and every result has its type."""
    signature = inspect.signature(CALLS[where])
    for name, parameter in signature.parameters.items():
        if name not in ("self", "cls"):
            assert parameter.annotation is not inspect.Parameter.empty
    assert signature.return_annotation is not inspect.Signature.empty


@pytest.mark.parametrize("where", PROPERTIES)
def test_properties_say_their_unit(where):
    """A property is one sentence with its unit."""
    assert UNIT.search(inspect.getdoc(PROPERTIES[where]).splitlines()[0])


@pytest.mark.parametrize("where", RECORDS)
def test_records_are_frozen_and_describe_each_field(where):
    """A record of the trade cannot be changed, and each field is described with its unit."""
    kind = RECORDS[where]
    assert kind.__dataclass_params__.frozen
    described = entries(section(kind, "Attributes"))
    names = {name for names, _ in described for name in names}
    assert names == {field.name for field in dataclasses.fields(kind)}
    for named, text in described:
        assert UNIT.search(text), f"{named} of {where} has no unit"


@pytest.mark.parametrize("module", PUBLIC, ids=lambda module: module.__name__)
def test_examples_give_what_they_show(module):
    """The examples in the docstrings run and give what is printed there."""
    result = doctest.testmod(module)
    assert result.failed == 0


@pytest.mark.parametrize("name", MODULES)
def test_imports_stay_inside_the_trade(name):
    """The trade imports no clock, file, network, database, pint or pandas."""
    tree = ast.parse(Path(importlib.import_module(name).__file__).read_text(encoding="utf-8"))
    for node in ast.walk(tree):
        names = []
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0
            names = [node.module]
        for each in names:
            inside = each == "sandtrack.errors" or each.startswith("sandtrack.trade.")
            assert inside or each.split(".")[0] in ALLOWED, f"{name} imports {each}"
