"""Pictures of strip times: plain arrays in, a black and grey figure out that reads in print."""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from numpy.typing import ArrayLike

from sandtrack.report.drawing import DRAWN

_SIZE_INCHES = (7.2, 5.2)  # fits the width of A4 and Letter paper
_GREY = "0.8"
_BOTH = "0.75"


def foretold_against_measured(
    *, low_min: ArrayLike, middle_min: ArrayLike, high_min: ArrayLike, earliest_min: ArrayLike, latest_min: ArrayLike
) -> Figure:
    """Strip times foretold, with their 80 % range, against those measured, with the interval between two looks. [min]

    A check with one bound is an arrow from it: to the right "not yet firm", to the left "firm already".
    """
    low, middle, high = (np.asarray(one, dtype=float) for one in (low_min, middle_min, high_min))
    early, late = np.asarray(earliest_min, dtype=float), np.asarray(latest_min, dtype=float)
    closed = (early > 0) & np.isfinite(late)
    after, before = (early > 0) & ~np.isfinite(late), ~(early > 0) & np.isfinite(late)
    centre = np.where(closed, np.sqrt(np.maximum(early, 1e-9) * np.where(np.isfinite(late), late, 1.0)), 0.0)
    centre = np.where(after, early, np.where(before, late, centre))
    with rc_context(DRAWN):
        figure, axes = _axes("measured strip time, min", "foretold strip time, min")
        told = closed | after | before
        if told.any():
            axes.vlines(centre[told], low[told], high[told], color="0.6", linewidth=0.7)
        axes.hlines(middle[closed], early[closed], late[closed], color="black", linewidth=0.9)
        axes.plot(centre[closed], middle[closed], "o", color="black", markersize=3)
        axes.plot(early[after], middle[after], ">", color="black", fillstyle="none", markersize=5)
        axes.plot(late[before], middle[before], "<", color="black", fillstyle="none", markersize=5)
        most = float(np.max([*high[told], *centre[told], 1.0])) * 1.05
        axes.plot([0, most], [0, most], color="black", linewidth=1, linestyle=(0, (5, 3)))
        axes.set_xlim(0, most)
        axes.set_ylim(0, most)
        _legend(
            axes,
            [
                _mark("o", "between two looks (bar: the interval)"),
                _mark(">", "not yet firm at this time", hollow=True),
                _mark("<", "firm at this time", hollow=True),
                Line2D([], [], color="0.6", label="80 % range foretold"),
                Line2D([], [], color="black", linestyle=(0, (5, 3)), label="as foretold"),
            ],
        )
    return figure


def strip_against_temperature(
    *,
    temp_c: ArrayLike,
    low_min: ArrayLike,
    middle_min: ArrayLike,
    high_min: ArrayLike,
    check_temp_c: ArrayLike = (),
    check_earliest_min: ArrayLike = (),
    check_latest_min: ArrayLike = (),
    setting: str = "",
    checks: str = "the shop's checks",
) -> Figure:
    """Strip time over the sand's temperature with its 80 % range, and the shop's own checks. [degC, min]"""
    temps = np.asarray(temp_c, dtype=float)
    low, middle, high = (np.asarray(one, dtype=float) for one in (low_min, middle_min, high_min))
    at = np.asarray(check_temp_c, dtype=float)
    early, late = np.asarray(check_earliest_min, dtype=float), np.asarray(check_latest_min, dtype=float)
    with rc_context(DRAWN):
        figure, axes = _axes("temperature of the mixed sand, °C", "strip time from the last sand, min")
        axes.fill_between(temps, low, high, facecolor=_GREY, edgecolor="black", linewidth=0.6)
        axes.plot(temps, middle, color="black", linewidth=1.6)
        closed = (early > 0) & np.isfinite(late)
        after, before = (early > 0) & ~np.isfinite(late), ~(early > 0) & np.isfinite(late)
        axes.vlines(at[closed], early[closed], late[closed], color="black", linewidth=0.8)
        axes.plot(at[after], early[after], "^", color="black", fillstyle="none", markersize=4)
        axes.plot(at[before], late[before], "v", color="black", fillstyle="none", markersize=4)
        axes.set_xlim(float(temps.min()), float(temps.max()))
        axes.set_ylim(0, float(max(np.max(high), np.max(late[closed], initial=0.0))) * 1.05)
        named = [
            Line2D([], [], color="black", linewidth=1.6, label=f"middle{f', at {setting}' if setting else ''}"),
            Patch(facecolor=_GREY, edgecolor="black", label="80 % of moulds"),
        ]
        if at.size:
            named.append(Line2D([], [], color="black", marker="|", linestyle="", markersize=10, label=checks))
            named.append(_mark("^", "not yet firm", hollow=True))
            named.append(_mark("v", "firm already", hollow=True))
        _legend(axes, named)
    return figure


def feasible_region(
    *,
    temp_c: ArrayLike,
    lever: ArrayLike,
    fills: ArrayLike,
    strips: ArrayLike,
    lever_label: str,
    test_piece: ArrayLike | None = None,
    no_mould: ArrayLike | None = None,
    chosen: tuple[float, float] | None = None,
    fills_label: str = "the box can be filled",
    strips_label: str = "strips in time",
) -> Figure:
    """Where a fill and the wanted strip time both serve: yes or no by setting (rows) and sand temperature (columns).

    `test_piece` and `no_mould` are the columns whose sand allows no more than a test piece, or nothing. `chosen` is the
    temperature and the setting of an answer.
    """
    temps, levers = np.asarray(temp_c, dtype=float), np.asarray(lever, dtype=float)
    can_fill, can_strip = np.asarray(fills, dtype=bool), np.asarray(strips, dtype=bool)
    none = np.zeros(temps.shape, dtype=bool)
    piece, never = (none if one is None else np.asarray(one, dtype=bool) for one in (test_piece, no_mould))
    with rc_context(DRAWN):
        figure, axes = _axes("temperature of the mixed sand, °C", lever_label)
        for where, hatch, face in (
            (can_fill & can_strip & ~piece & ~never, "", _BOTH),
            (can_fill & can_strip & piece, "++", "white"),
            (can_fill & ~can_strip & ~never, "...", "white"),
            (can_strip & ~can_fill & ~never, "///", "white"),
            (np.broadcast_to(never, can_fill.shape), "xx", "white"),
        ):
            _area(axes, temps, levers, where, hatch, face)
        if chosen is not None:
            axes.plot([chosen[0]], [chosen[1]], "o", color="black", markersize=8)
        axes.set_xlim(float(temps.min()), float(temps.max()))
        axes.set_ylim(float(levers.min()), float(levers.max()))
        named: list[Any] = [
            Patch(facecolor=_BOTH, edgecolor="black", label="both: may be set"),
            Patch(facecolor="white", edgecolor="black", hatch="...", label=f"{fills_label}, but strips too late"),
            Patch(facecolor="white", edgecolor="black", hatch="///", label=f"{strips_label}, but no time to fill"),
            Patch(facecolor="white", edgecolor="black", label="neither"),
        ]
        if piece.any():
            words = "both, but sand outside its window: only with a test piece"
            named.insert(1, Patch(facecolor="white", edgecolor="black", hatch="++", label=words))
        if never.any():
            named.append(Patch(facecolor="white", edgecolor="black", hatch="xx", label="sand too cold or too hot: no"))
        if chosen is not None:
            named.append(_mark("o", "the setting told"))
        _legend(axes, named, columns=1)
    return figure


def _area(axes: Axes, temps: Any, levers: Any, where: Any, hatch: str, face: str) -> None:
    """Fill the cells of a grid that are true, each reaching halfway to its neighbours."""
    if not where.any():
        return
    x_edges, y_edges = _edges(temps), _edges(levers)
    for column in range(temps.size):
        rows = np.flatnonzero(np.diff(np.concatenate([[0], where[:, column].astype(int), [0]])))
        for first, last in zip(rows[::2], rows[1::2], strict=True):
            axes.fill_between(
                x_edges[column : column + 2],
                [y_edges[first]] * 2,
                [y_edges[last]] * 2,
                facecolor=face,
                edgecolor="black" if hatch else face,
                hatch=hatch,
                linewidth=0.0 if hatch else 0.4,
            )


def _edges(values: Any) -> Any:
    middles = (values[1:] + values[:-1]) / 2
    return np.concatenate([values[:1], middles, values[-1:]])


def _axes(across: str, up: str) -> tuple[Figure, Axes]:
    figure = Figure(figsize=_SIZE_INCHES, facecolor="white", layout="constrained")
    axes = figure.add_subplot()
    axes.set_xlabel(across, fontsize=12, parse_math=False)
    axes.set_ylabel(up, fontsize=12, parse_math=False)
    axes.tick_params(labelsize=11)
    axes.spines[["top", "right"]].set_visible(False)
    return figure, axes


def _mark(marker: str, label: str, *, hollow: bool = False) -> Line2D:
    fill: Any = "none" if hollow else "full"
    return Line2D([], [], color="black", marker=marker, linestyle="", fillstyle=fill, label=label)


def _legend(axes: Axes, named: list[Any], *, columns: int = 2) -> None:
    drawn = axes.figure.legend(  # type: ignore[union-attr, unused-ignore]
        handles=named, loc="outside lower center", ncols=columns, frameon=False, fontsize=10, handlelength=2.4
    )
    for text in drawn.get_texts():
        text.set_parse_math(False)
