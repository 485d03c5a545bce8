"""The two tables as plain values that pages are made from: one view a recording, one a swing; nothing is measured."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pandas as pd

from imuswing.errors import RecordingError
from imuswing.measures.dictionary import (
    CONTEXT_COLUMNS,
    CURVE_UNITS,
    KEY_COLUMNS,
    MEASURES,
    MOMENT_COLUMNS,
    VERDICT_COLUMN,
    VERDICTS,
)
from imuswing.orientation.quaternion import FloatArray
from imuswing.vocabulary import KIND_SHOT

RECORDING_KEYS: Final = KEY_COLUMNS[:-1]
Label = str | None


@dataclass(frozen=True, kw_only=True)
class SwingView:
    """One row of the table of swings with its curve.

    key: unique on the page.  values: measures, standard errors and moments by column, None where null.
    curve: columns (N,) over `curve["time_s"]`, 0 at impact; empty where there is none.
    """

    key: str
    number: int
    kind: str
    verdict: str | None
    values: Mapping[str, float | None]
    block: Label
    intent: Label
    outcome: Label
    flags: tuple[str, ...]
    curve: Mapping[str, FloatArray]

    @property
    def is_shot(self) -> bool:
        """Whether a ball was struck."""
        return self.kind == KIND_SHOT

    def since_impact(self, moment: str) -> float | None:
        """Time of a moment column from impact, s; None if either is null."""
        at, impact = self.values.get(moment), self.values.get("impact_s")
        return None if at is None or impact is None else at - impact

    def curve_of(self, column: str) -> tuple[FloatArray, FloatArray] | None:
        """Times and values of one curve; None if it is missing or holds no number."""
        values = self.curve.get(column)
        if values is None or not np.isfinite(values).any():
            return None
        return self.curve["time_s"], values


@dataclass(frozen=True, kw_only=True)
class RecordingView:
    """The swings of one recording and what the quality record says about it."""

    key: str
    labels: Mapping[str, Label]
    swings: tuple[SwingView, ...]
    quality: Mapping[str, Any]

    @property
    def shots(self) -> tuple[SwingView, ...]:
        """Swings in which a ball was struck."""
        return tuple(swing for swing in self.swings if swing.is_shot)

    @property
    def practice(self) -> tuple[SwingView, ...]:
        """The other swings."""
        return tuple(swing for swing in self.swings if not swing.is_shot)

    @property
    def worn(self) -> tuple[str, ...] | None:
        """Tracked points that were worn; None if the quality record does not say."""
        worn = self.quality.get("worn")
        return None if worn is None else tuple(str(point) for point in worn)

    @property
    def described(self) -> Mapping[str, Any]:
        """The quality record's description of the recording, {} if it has none."""
        described = self.quality.get("recording")
        return described if isinstance(described, Mapping) else {}

    def has(self, column: str) -> bool:
        """Whether any swing holds a number in `column`."""
        return any(swing.values.get(column) is not None for swing in self.swings)


def recordings_from(
    swings: pd.DataFrame, curves: pd.DataFrame, quality: Mapping[str, Any]
) -> tuple[RecordingView, ...]:
    """Views of every recording in the tables or in the quality record, in the order in which they appear.

    Raises RecordingError if the table of swings lacks a key column. Other columns may be missing: they are null.
    """
    _require(swings, ("participant", "swing"), "table of swings")
    rows: dict[tuple[Label, ...], list[Mapping[str, Any]]] = {}
    for row in swings.to_dict("records"):
        rows.setdefault(_labels(row, RECORDING_KEYS), []).append({str(key): value for key, value in row.items()})
    notes = {_labels(_described(record), RECORDING_KEYS): record for record in quality.get("recordings") or ()}
    pieces = _curve_pieces(curves)
    shared = [name for name in RECORDING_KEYS if name in curves.columns]
    views = []
    for index, key in enumerate(dict.fromkeys([*rows, *notes])):
        labels = dict(zip(RECORDING_KEYS, key, strict=True))
        piece_key = tuple(labels[name] for name in shared)
        swing_views = tuple(
            _swing_view(f"r{index}n{place}", row, pieces.get((*piece_key, int(row["swing"])), {}))
            for place, row in enumerate(rows.get(key, []))
        )
        views.append(RecordingView(key=f"r{index}", labels=labels, swings=swing_views, quality=notes.get(key, {})))
    return tuple(views)


def _swing_view(key: str, row: Mapping[str, Any], curve: Mapping[str, FloatArray]) -> SwingView:
    block, intent, outcome = (_label(row.get(name)) for name in CONTEXT_COLUMNS[:3])
    verdict = _label(row.get(VERDICT_COLUMN))
    columns = [*MOMENT_COLUMNS, *(measure.name for measure in MEASURES)]
    columns += [f"{name}_se" for name in columns]
    return SwingView(
        key=key,
        number=int(row["swing"]),
        kind=_label(row.get("kind")) or KIND_SHOT,
        verdict=verdict if verdict in VERDICTS else None,
        values={name: _number(row.get(name)) for name in columns},
        block=block,
        intent=intent,
        outcome=outcome,
        flags=_flags(row.get("flags")),
        curve=curve,
    )


def _curve_pieces(curves: pd.DataFrame) -> dict[tuple[Any, ...], dict[str, FloatArray]]:
    """Curve columns by recording labels and swing number."""
    if curves.empty:
        return {}
    _require(curves, ("participant", "swing", "time_s"), "table of curves")
    keys = [name for name in KEY_COLUMNS if name in curves.columns]
    columns = [name for name in CURVE_UNITS if name in curves.columns]
    pieces = {}
    for key, part in curves.groupby(keys, sort=False, dropna=False):
        labels = tuple(_label(value) for value in key[:-1])
        piece = {name: part[name].to_numpy(dtype=float, na_value=math.nan) for name in columns}
        # Two swings under one key (recordings that differ in a label the table lacks) cannot be told apart.
        if len(part) > 1 and bool(np.all(np.diff(piece["time_s"]) > 0)):
            pieces[(*labels, int(key[-1]))] = piece
    return pieces


def _require(table: pd.DataFrame, columns: Sequence[str], name: str) -> None:
    missing = [column for column in columns if column not in table.columns]
    if missing:
        raise RecordingError(name, f"it lacks the column {', '.join(missing)}", "pass a table that `analyze` made")


def _described(record: Mapping[str, Any]) -> Mapping[str, Any]:
    described = record.get("recording")
    return described if isinstance(described, Mapping) else {}


def _labels(row: Mapping[Any, Any], names: Iterable[str]) -> tuple[Label, ...]:
    return tuple(_label(row.get(name)) for name in names)


def _label(value: Any) -> Label:
    if value is None or (not isinstance(value, str) and pd.isna(value)):
        return None
    return str(value) or None


def _number(value: Any) -> float | None:
    if value is None or pd.isna(value):
        return None
    number = float(value)
    return number if math.isfinite(number) else None


def _flags(value: Any) -> tuple[str, ...]:
    if value is None or isinstance(value, float):
        return ()
    if isinstance(value, str):
        return (value,)
    return tuple(str(flag) for flag in value)
