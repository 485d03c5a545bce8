"""The one vocabulary: tracked points, calibration steps, events, shots, and the units of files.

Axes of every segment are those of the ISB recommendations (Wu et al. 2005, J Biomech 38:981), right-handed on both
sides of the body: trunk X forward, Y up, Z to the right; forearm and hand X palmar, Y proximal, Z = X × Y (radial on
a right limb, ulnar on a left one); club Y from head to grip. The earth frame has Z up and an arbitrary heading.
"""

from __future__ import annotations

from typing import Final, Literal

LeadSide = Literal["left", "right"]
SampleMeaning = Literal["instant", "mean"]
SwingKind = Literal["shot", "practice"]

LEAD_SIDES: Final[tuple[str, ...]] = ("left", "right")
SAMPLE_MEANINGS: Final[tuple[str, ...]] = ("instant", "mean")

CHEST: Final = "chest"
LEAD_FOREARM: Final = "lead_forearm"
LEAD_HAND: Final = "lead_hand"
PELVIS: Final = "pelvis"
LEAD_UPPER_ARM: Final = "lead_upper_arm"
CLUB: Final = "club"
TRACKED_POINTS: Final[tuple[str, ...]] = (CHEST, LEAD_FOREARM, LEAD_HAND, PELVIS, LEAD_UPPER_ARM, CLUB)
"""Every legal tracked point, in the order in which pages and tables name them."""
TRUNK_POINTS: Final[tuple[str, ...]] = (CHEST, PELVIS)
GRIP_POINTS: Final[tuple[str, ...]] = (LEAD_FOREARM, LEAD_HAND, CLUB)
"""What another grip turns as well; the others another posture only."""

STAND: Final = "stand"
BOW: Final = "bow"
TABLE: Final = "table"
WRIST_BEND: Final = "wrist_bend"
CLUB_HANG: Final = "club_hang"
FOREARM_ROLL: Final = "forearm_roll"
CALIBRATION_STEPS: Final[tuple[str, ...]] = (STAND, BOW, TABLE, WRIST_BEND, CLUB_HANG, FOREARM_ROLL)

BLOCK: Final = "block"
SHOT: Final = "shot"
TAP: Final = "tap"
CORRECTION: Final = "correction"
"""A person's word against what the analysis finds; its note says which (`swings.corrections`)."""
TRIAL_TYPES: Final[tuple[str, ...]] = (*CALIBRATION_STEPS, BLOCK, SHOT, TAP, CORRECTION)

KIND_SHOT: Final = "shot"
KIND_PRACTICE: Final = "practice"

SLIPPED: Final = "slipped"
MAY_HAVE_SLIPPED: Final = "may_have_slipped"
"""Ends of the flags of swings after a slip, sure or not; a tracked point stands before."""


def slipped_point(flag: str) -> str | None:
    """The tracked point whose slip, sure or not, a flag tells; None for any other flag."""
    for ending in (MAY_HAVE_SLIPPED, SLIPPED):
        if flag.endswith(f"_{ending}"):
            return flag.removesuffix(f"_{ending}")
    return None


STANDARD_GRAVITY: Final = 9.80665
"""m/s²; 3rd CGPM, 1901 (from memory)."""
