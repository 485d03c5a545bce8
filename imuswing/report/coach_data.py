"""All that the coach page's scripts need, as plain data: shots with their numbers, curves and orientations, packed.

Curves and quaternions travel as 16-bit whole numbers with a scale, base64-coded: a tenth of a degree (a second) and
1/32000 of a quaternion's component are finer than any sensor here.
"""

from __future__ import annotations

import base64
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import numpy.typing as npt

from imuswing.measures.dictionary import CURVE_UNITS, KEY_COLUMNS, MEASURES, Measure
from imuswing.measures.orientations import FOLLOWED, orientation_columns
from imuswing.report import palette
from imuswing.report.shapes import Limits, even_grid, on_grid
from imuswing.report.texts import Texts
from imuswing.report.views import RECORDING_KEYS, RecordingView, SwingView
from imuswing.report.wording import measure_text, verdict_text

if TYPE_CHECKING:
    import pandas as pd

STEP_S: Final = 0.01
BEFORE_TAKEAWAY_S: Final = 0.3
AFTER_IMPACT_S: Final = 0.8
USUAL_TAKEAWAY_S: Final = -1.1
"""Takeaway before impact of a full swing (0.80 s back and 0.27 s down, Grober & Cholewicki), where none is known."""
CURVE_SCALE: Final = 10.0
TURN_SCALE: Final = 32000.0
NOTHING: Final = -32768
CURVES: Final = tuple(name for name in CURVE_UNITS if name != "time_s")
MOMENTS: Final = (("takeaway", "takeaway_s"), ("top", "top_s"), ("finish", "finish_s"))


def shots_data(
    recordings: Sequence[RecordingView],
    names: Sequence[str],
    orientations: pd.DataFrame | None,
    texts: Texts,
) -> list[dict[str, Any]]:
    """One entry a swing, in the order of the recordings."""
    turns = {} if orientations is None else _turns(orientations)
    return [
        _shot(swing, recording, name, turns.get(_key(recording, swing)), texts)
        for recording, name in zip(recordings, names, strict=True)
        for swing in recording.swings
    ]


def measures_data(recordings: Sequence[RecordingView], texts: Texts) -> list[dict[str, Any]]:
    """The measures that any swing has, with what is needed to write and draw them."""
    there = [measure for measure in MEASURES if any(recording.has(measure.name) for recording in recordings)]
    return [
        {
            "name": measure.name,
            "label": texts.label(measure),
            "unit": texts.unit(measure.unit),
            "decimals": measure.decimals,
            "sign": texts.sign(measure),
        }
        for measure in there
    ]


def curves_data(recordings: Sequence[RecordingView], texts: Texts) -> list[dict[str, str]]:
    """The curves that any swing has."""
    swings = [swing for recording in recordings for swing in recording.swings]
    units = {"°/s": texts.unit("°/s"), "°": texts.unit("°")}
    return [
        {"name": name, "label": texts(f"curve.{name}"), "unit": units[CURVE_UNITS[name]]}
        for name in CURVES
        if any(swing.curve_of(name) is not None for swing in swings)
    ]


def marks_data() -> dict[str, Any]:
    """Shape and colour of each verdict."""
    return {
        verdict or "unjudged": {"colour": mark.colour, "path": mark.path} for verdict, mark in palette.MARKS.items()
    }


def limits_data(limits: Limits) -> dict[str, float]:
    """The stretch through the ball, s around impact."""
    return {"before": limits.before_s, "after": limits.after_s}


def _shot(
    swing: SwingView, recording: RecordingView, name: str, turns: Mapping[str, Any] | None, texts: Texts
) -> dict[str, Any]:
    title = texts("chest.swing", swing=swing.number)
    entry: dict[str, Any] = {
        "key": swing.key,
        "number": swing.number,
        "title": title,
        "recording": name,
        "filters": {
            "session": recording.labels["session"],
            "task": recording.labels["task"],
            "block": swing.block,
            "outcome": swing.outcome,
            "verdict": verdict_text(swing.verdict, texts),
            "kind": texts.named("kind", swing.kind),
        },
        "verdict": swing.verdict or "unjudged",
        "shot": swing.is_shot,
        "lead": str(recording.described.get("lead_side") or "left"),
        "values": {measure.name: _value(swing, measure, texts) for measure in MEASURES if _has(swing, measure)},
        "at": _place(swing, recording),
        "moments": {key: round(at, 4) for key, column in MOMENTS if (at := swing.since_impact(column)) is not None},
    }
    return entry | _curves(swing) | ({} if turns is None else {"turns": turns})


def _place(swing: SwingView, recording: RecordingView) -> dict[str, Any] | None:
    """Where the swing stands in its recording, for corrections; None where the results do not say."""
    file = recording.described.get("file")
    moments = [swing.values.get(f"{name}_s") for name in ("takeaway", "impact", "finish")]
    if not file or None in moments:
        return None
    times = {
        name: round(float(at or 0.0), 3) for name, at in zip(("takeaway", "impact", "finish"), moments, strict=True)
    }
    return {"file": str(file), "intent": swing.intent, **times}


def _has(swing: SwingView, measure: Measure) -> bool:
    return swing.values.get(measure.name) is not None


def _value(swing: SwingView, measure: Measure, texts: Texts) -> list[Any]:
    """Value, standard error (null if none) and both in words."""
    value, error = swing.values[measure.name], swing.values.get(measure.se_name) if measure.has_se else None
    assert value is not None
    rounded = None if error is None else float(f"{error:.4g}")
    return [float(f"{value:.6g}"), rounded, measure_text(swing.values, measure.name, texts)]


def _curves(swing: SwingView) -> dict[str, Any]:
    takeaway = swing.since_impact("takeaway_s")
    start = (USUAL_TAKEAWAY_S if takeaway is None else takeaway) - BEFORE_TAKEAWAY_S
    grid = even_grid(start, AFTER_IMPACT_S, STEP_S)
    found = {name: curve for name in CURVES if (curve := swing.curve_of(name)) is not None}
    packed = {name: _packed(on_grid(*curve, grid), CURVE_SCALE) for name, curve in found.items()}
    return {"start": round(float(grid[0]), 4), "curves": packed}


def _turns(orientations: pd.DataFrame) -> dict[tuple[Any, ...], dict[str, Any]]:
    """By recording labels and swing: start, step and the quaternions of each segment that was followed."""
    keys = [name for name in KEY_COLUMNS if name in orientations.columns]
    found: dict[tuple[Any, ...], dict[str, Any]] = {}
    for key, part in orientations.groupby(keys, sort=False, dropna=False):
        labels = dict(zip(keys, key, strict=True))
        time = part["time_s"].to_numpy(dtype=float)
        if len(time) < 2:
            continue
        segments = {}
        for point in FOLLOWED:
            q = part[list(orientation_columns((point,)))].to_numpy(dtype=float)
            if np.isfinite(q).all():
                segments[point] = _packed(q.ravel(), TURN_SCALE)
        entry = {"start": round(float(time[0]), 5), "step": float(time[1] - time[0]), "segments": segments}
        found[(*(_label(labels.get(name)) for name in RECORDING_KEYS), int(labels["swing"]))] = entry
    return found


def _key(recording: RecordingView, swing: SwingView) -> tuple[Any, ...]:
    return (*(recording.labels[name] for name in RECORDING_KEYS), swing.number)


def _label(value: Any) -> str | None:
    return None if value is None or value != value else str(value)


def _packed(values: npt.NDArray[np.float64], scale: float) -> str:
    """Values × scale as little-endian 16-bit numbers, base64; unknown ones as the lowest."""
    whole = np.clip(np.rint(np.nan_to_num(values) * scale), NOTHING + 1, 32767)
    whole = np.where(np.isfinite(values), whole, NOTHING).astype("<i2")
    return base64.b64encode(whole.tobytes()).decode("ascii")
