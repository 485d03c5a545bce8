"""Messages as lines of text, for a terminal beside the range."""

from __future__ import annotations

from imuswing.live.messages import Estimate, Message, Notice, Problem, Routine, Shot, Step, Summary
from imuswing.measures.rates import CONTINUITY_LIMITS
from imuswing.sensors.checks import decimals_apart
from imuswing.vocabulary import KIND_SHOT

TOLD = (
    ("chest_continuity", "continuity", 2),
    ("backswing_arc_deg", "arc", 0),
    ("wrist_flexion_impact_deg", "wrist", 0),
)
"""Measures on a shot's line: column, word, decimals."""


def line(message: Message) -> str | None:
    """A message as one line; None for those that a terminal need not show."""
    if isinstance(message, Shot):
        return _shot(message)
    if isinstance(message, Notice | Problem):
        return message.text
    if isinstance(message, Routine):
        done = [step.step.replace("_", " ") for step in message.steps if step.state == "good"]
        return f"routine: {', '.join(done)} done" if done else None
    if isinstance(message, Step) and message.state in ("good", "redo"):
        return f"{message.step.replace('_', ' ')}: {'done' if message.state == 'good' else 'do it again'}"
    if isinstance(message, Summary):
        counts = ", ".join(f"{verdict} in {count}" for verdict, count in message.counts.items())
        return f"last {len(message.numbers)} shots: {counts}"
    return None


def _shot(shot: Shot) -> str | None:
    if shot.revised:
        return None
    head = f"{shot.number:3d}  {shot.impact_s:8.2f} s"
    kind = "" if shot.kind == KIND_SHOT else "  practice swing"
    if not shot.shown:
        return f"{head}{kind or '  shot'}"
    parts = [_told(word, shot.measures[name], decimals) for name, word, decimals in TOLD if name in shot.measures]
    after = "" if shot.shown_after_s is None else f"  ({shot.shown_after_s:.2f} s after impact)"
    return f"{head}  {shot.verdict or 'no verdict':10s} {'  '.join(filter(None, parts))}{after}{kind}"


def _told(word: str, estimate: Estimate, decimals: int) -> str | None:
    if estimate.value is None:
        return None
    decimals = decimals_apart(estimate.value, *(CONTINUITY_LIMITS if word == "continuity" else ()), least=decimals)
    # What holds 19 times in 20 is read at a glance; nobody doubles numbers beside the range.
    se = "" if estimate.se is None else f" ± {1.96 * estimate.se:.{decimals}f}"
    return f"{word} {estimate.value:.{decimals}f}{se}"
