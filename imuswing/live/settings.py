"""Settings of the live computation (common practice, no source, unless named)."""

from __future__ import annotations

from dataclasses import dataclass, field

from imuswing.settings import Settings


@dataclass(frozen=True, kw_only=True)
class LiveSettings:
    """How far back is looked, and when.

    analysis: the settings of the same analysis offline.
    window_s: a shot is computed from so much before now: a run-in of the orientation filter, the address, the swing.
    watch_s: in which movements with the shape of a swing are looked for, cheaply and often.
    keep_s: so much is kept in memory, since clocks are aligned on it; opening_s: and at most so much before the routine
    was read.
    look_s: after the arm's return to its address direction; the verdict needs 0.15 s after impact, which is up to some
    0.03 s later.  settle_s: after the rough cut's end, once all that offline takes of a swing has been seen.
    past: swings that the judgement of the next one rests on.  ties: of these, so many for the wrist's heading.
    relearn_share: clocks are aligned again, between swings, when so much has passed, as a share of the time that they
    were aligned on: a straight line's error a fifth beyond its points is 1.3 times that at their end, and soon more.
    arrival_se_s: error of a clock that is told by when samples arrive.
    keep_up_s: heading is carried on at least so often.
    """

    analysis: Settings = field(default_factory=Settings)
    window_s: float = 16.0
    watch_s: float = 7.0
    keep_s: float = 300.0
    opening_s: float = 600.0
    look_s: float = 0.20
    settle_s: float = 1.6
    past: int = 20
    ties: int = 4
    relearn_share: float = 0.2
    arrival_se_s: float = 0.02
    keep_up_s: float = 8.0
