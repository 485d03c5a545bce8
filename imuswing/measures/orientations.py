"""Orientations of chest, forearm and hand through each swing, for figures in space: about 60 a second in one frame.

What is measured and what is set. A sensor finds the vertical by itself, but no heading. Forearm and hand are tied to
one heading (measured, with an error); that of the chest against the arm is not measured by anything worn. So both are
*set*, swing by swing: X runs along the chest's address line, and the arm is turned about the vertical until its long
axis swings along X at impact, as an arm that sends a ball towards the target does. Angles between forearm and hand, and
of every segment against the vertical, are measurements; the angle between chest and arm seen from above is a drawing.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from imuswing.body import definitions as define
from imuswing.body.segments import SegmentMotion
from imuswing.measures.curves import CURVE_MARGIN_S
from imuswing.measures.dictionary import KEY_COLUMNS, SCHEMA_VERSION
from imuswing.measures.pose import SwingMotion
from imuswing.orientation.quaternion import FloatArray, exp, multiply, slerp
from imuswing.vocabulary import CHEST, LEAD_FOREARM, LEAD_HAND, LeadSide

if TYPE_CHECKING:
    import pandas as pd

STEP_S: Final = 1.0 / 60.0
"""As often as most screens draw."""
FOLLOWED: Final = (CHEST, LEAD_FOREARM, LEAD_HAND)
PARTS: Final = "wxyz"
IMPACT_STRETCH_S: Final = 0.02
"""The arm's direction at impact is that of its way from so long before to so long after."""
LEAST_WAY: Final = 0.02
"""A way of the long axis shorter than this (about 1°) in that stretch has no direction to speak of."""
ABOUT: Final = (
    "q_<segment>_w, _x, _y, _z: earth from segment, scalar first; earth Z up, X along the chest's address line. "
    "The heading of forearm and hand against one another is measured; that of the arm against the chest is set: "
    "the arm swings along X at impact."
)


def orientation_columns(points: Sequence[str] = FOLLOWED) -> tuple[str, ...]:
    """Columns of the quaternions of segments, `q_chest_w` and so on."""
    return tuple(f"q_{point}_{part}" for point in points for part in PARTS)


def swing_orientations(swing: SwingMotion, *, lead_side: LeadSide, step_s: float = STEP_S) -> dict[str, FloatArray]:
    """`time_s` (N,), 0 at impact, and the quaternion columns (N,) of the segments at hand, over the curves' stretch.

    Hand and forearm must be on one heading (`swing.tie`); a hand without a tie is left out.
    """
    followed = {point: swing.segments[point] for point in FOLLOWED if point in swing.segments}
    if LEAD_FOREARM in followed and swing.tie is None:
        followed.pop(LEAD_HAND, None)
    if not followed:
        return {"time_s": np.zeros(0)}
    moments = swing.moments
    first = max(moments.takeaway - CURVE_MARGIN_S, *(s.time[0] for s in followed.values())) - moments.impact
    last = min(moments.finish + CURVE_MARGIN_S, *(s.time[-1] for s in followed.values())) - moments.impact
    time = np.arange(math.ceil(first / step_s), math.floor(last / step_s) + 1) * step_s
    table: dict[str, FloatArray] = {"time_s": time}
    arm = arm_heading(followed, moments.impact)
    for point, segment in followed.items():
        angle = chest_heading(segment, moments.address, lead_side) if point == CHEST else arm
        q = multiply(exp(np.array([0.0, 0.0, -angle])), slerp(segment.q, segment.time, moments.impact + time))
        table |= dict(zip(orientation_columns((point,)), _continuous(q).T, strict=True))
    return table


def chest_heading(chest: SegmentMotion, address: float, lead_side: LeadSide) -> float:
    """Heading, rad, of the address line in the chest's own earth frame."""
    line = define.address_line(slerp(chest.q, chest.time, np.array([address])), lead_side)[0]
    return math.atan2(line[1], line[0])


def arm_heading(segments: Mapping[str, SegmentMotion], impact: float) -> float:
    """Heading, rad, in which the long axis of forearm (or hand) swings at impact; 0 where it hardly moves."""
    segment = segments.get(LEAD_FOREARM) or segments.get(LEAD_HAND)
    if segment is None:
        return 0.0
    around = impact + np.array([-IMPACT_STRETCH_S, IMPACT_STRETCH_S])
    before, after = define.long_axis(slerp(segment.q, segment.time, around))
    way = (after - before)[:2]
    return math.atan2(way[1], way[0]) if float(np.linalg.norm(way)) >= LEAST_WAY else 0.0


def orientations_table(swings: Sequence[Mapping[str, Any]]) -> pd.DataFrame:
    """All swings' orientations one below another, with the keys of the curves; a segment not followed is null."""
    import pandas as pd

    names = ("time_s", *orientation_columns())
    lengths = [len(swing["time_s"]) for swing in swings]
    columns: dict[str, Any] = {}
    for key in KEY_COLUMNS:
        values = [swing.get(key) for swing in swings]
        if key == "swing":
            columns[key] = np.repeat(np.array(values, dtype=np.int64), lengths)
        else:
            codes = np.repeat(np.arange(len(values)), lengths)
            columns[key] = pd.array(values, dtype="str").take(codes) if len(values) else pd.array([], dtype="str")
    for name in names:
        parts = [swing.get(name, np.full(n, np.nan)) for swing, n in zip(swings, lengths, strict=True)]
        columns[name] = np.concatenate(parts) if parts else np.zeros(0)
    return pd.DataFrame(columns)


def no_orientations() -> pd.DataFrame:
    """The table of orientations without a row."""
    return orientations_table([])


def write_orientations(orientations: pd.DataFrame, path: Path) -> None:
    """Write the table as Parquet (quaternions as float32) under a temporary name, then rename; NaN becomes null."""
    import pyarrow as pa

    from imuswing.measures.tables import write_table

    fields = [pa.field(key, pa.int64() if key == "swing" else pa.string()) for key in KEY_COLUMNS]
    fields.append(pa.field("time_s", pa.float64(), metadata={"unit": "s"}))
    fields += [pa.field(name, pa.float32(), metadata={"unit": "1"}) for name in orientation_columns()]
    schema = pa.schema(fields, metadata={"about": ABOUT, "imuswing_schema": SCHEMA_VERSION})
    write_table(pa.Table.from_pandas(orientations, schema=schema, preserve_index=False), path)


def _continuous(q: FloatArray) -> FloatArray:
    """q (N, 4) with signs such that neighbours lie close, since q and −q are the same orientation."""
    turns = np.cumprod(np.where(np.sum(q[1:] * q[:-1], axis=1) < 0.0, -1.0, 1.0))
    continuous: FloatArray = q * np.concatenate(([1.0], turns))[:, None]
    return continuous
