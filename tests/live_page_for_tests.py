"""A made-up lesson's messages for the tests of the live page."""

from __future__ import annotations

import numpy as np

from imuswing.live.messages import Estimate, Hello, Level, Levels, Routine, Shot, Step

HELLO = Hello(
    participant="S001",
    session="02",
    task="chip",
    lead_side="left",
    worn=("chest", "lead_forearm", "lead_hand"),
    bands={"backswing_arc_deg": (30.0, 50.0)},
)
ROUTINE = Routine(
    steps=(
        Step(step="stand", state="good"),
        Step(step="bow", state="doing", sign="turning", share=0.5, repetitions=2, needed=3),
        Step(step="table", state="redo", reason="not_still"),
        Step(step="wrist_bend", state="next"),
        Step(step="forearm_roll", state="skipped"),
    )
)
KEPT = {"turning": 0.85, "slowing": 0.55, "stalled": 0.1}


def shot(number: int, verdict: str | None, *, shown: bool = True, kind: str = "shot", sound: bool = True) -> Shot:
    """A shot whose chest curve keeps a share of its peak after the ball."""
    time = np.round(np.arange(-1.2, 0.3, 0.01), 3)
    kept = KEPT.get(verdict or "", 0.5)
    rate = np.where(time < 0.0, 300.0 * np.exp(-((time / 0.2) ** 2)), 300.0 * kept)
    measures = {
        "chest_continuity": Estimate(value=kept if verdict else None, se=0.03),
        "chest_turn_rate_peak_dps": Estimate(value=300.0, se=5.0),
        "backswing_arc_deg": Estimate(value=41.0, se=1.5),
        "wrist_flexion_address_deg": Estimate(value=-12.0, se=2.0),
        "wrist_flexion_top_deg": Estimate(value=-35.0, se=2.0),
        "wrist_flexion_impact_deg": Estimate(value=1.6, se=2.0),
        "backswing_s": Estimate(value=0.8, se=0.01),
        "downswing_s": Estimate(value=0.3, se=0.01),
    }
    return Shot(
        number=number,
        impact_s=10.0 * number,
        kind=kind,
        verdict=verdict,
        stall_probability=None if verdict is None else {"turning": 0.01, "slowing": 0.3, "stalled": 0.98}[verdict],
        measures=measures,
        curves={
            "time_s": time.tolist(),
            "chest_turn_rate_dps": rate.tolist(),
            "wrist_flexion_deg": (-20.0 + 15.0 * time).tolist(),
        },
        in_band={"backswing_arc_deg": True},
        shown=shown,
        sound=sound,
    )


def levels(*, turning_dps: float, hand: str = "ok") -> Levels:
    """All sensors turning alike; the hand's state is told."""
    states = {"chest": "ok", "lead_forearm": "ok", "lead_hand": hand}
    return Levels(
        time=1.0,
        sensors=tuple(
            Level(
                point=point,
                state=state,  # type: ignore[arg-type]
                turning_dps=turning_dps,
                trace_dps=(0.0, turning_dps),
                silent_s=3.0 if state == "silent" else 0.0,
            )
            for point, state in states.items()
        ),
    )
