"""How far a careful person's calibration steps miss the true axes: prior standard deviations, in rad.

Between examiners functional and palpated axes differ by 0.2–2.9° in flexion and 1.6–7.3° axially (Picerno et al.
2008, Gait & Posture 28:588); functional calibration repeats to under 1° (Favre et al. 2009, J Biomech 42:2330). Elbow
angles were off by 7.2° RMS after a functional calibration and by 6.3° after a manual one; after a hanging pose they
spread most (Bonfiglio et al. 2024, Front Bioeng Biotechnol 12:1385750, abstract). No study of these very steps was
found: the sizes below are assumptions inside those ranges.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


def _deg(value: float) -> float:
    return float(np.deg2rad(value))


@dataclass(frozen=True, kw_only=True)
class CarePriors:
    """SD of what each step shows against the true segment axis, rad.

    stand_trunk: standing trunk against vertical.  bow_axis: bowing axis against the trunk's side-to-side axis.
    stand_arm: hanging forearm or hand against vertical; bow_arm: before bowing, where nothing is said of the arms;
    bow_arm_alone: where no roll shows that they hang.
    table: palm-down forearm or hand against horizontal.
    edge: the same of the forearm before the wrist is bent.  thumb_up: thumb-up forearm against vertical.
    bend_axis: wrist-bending axis against the flexion axis.  roll_axis: turning axis against the forearm's long axis, up
    and down; roll_aside: sideways, where an elbow that bends with the roll tilts it.
    address_bend: the golf posture's bend against pure forward bend.
    address_arm: forearm at address, or in a posture that may be one, against vertical.  hang: hanging shaft against it.
    """

    stand_trunk: float = _deg(2.5)
    bow_axis: float = _deg(4.0)
    stand_arm: float = _deg(4.0)
    bow_arm: float = _deg(8.0)
    bow_arm_alone: float = _deg(12.0)
    table: float = _deg(2.2)
    edge: float = _deg(3.0)
    thumb_up: float = _deg(6.0)
    bend_axis: float = _deg(3.0)
    roll_axis: float = _deg(2.5)
    roll_aside: float = _deg(4.0)
    address_bend: float = _deg(8.0)
    address_arm: float = _deg(25.0)
    hang: float = _deg(1.0)
