"""Did a sensor shift on its segment, while it recorded or since the routine that serves; what is told and set right."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from imuswing.body.alignment import Alignment
from imuswing.body.slip import Postures, Slip, find_slip, rest_samples, set_right, since_earlier, unusual_address
from imuswing.cutting import BEFORE_ADDRESS_S, UP, Cut, Oriented, address_samples
from imuswing.orientation.quaternion import inverse, rotate
from imuswing.recording.model import Recording
from imuswing.settings import Settings
from imuswing.swings.find import Candidate


@dataclass(frozen=True, kw_only=True)
class Stood:
    """By tracked point, how it stood in the earlier recording whose routine serves.  task: of that recording."""

    task: str | None = None
    postures: Mapping[str, Postures] = field(default_factory=dict)


def postures(oriented: Oriented, swings: Sequence[Candidate]) -> dict[str, Postures]:
    """By tracked point, how it stood at the addresses and between the swings: what tells a slip."""
    found = {}
    for point, motion in oriented.motions.items():
        address = address_samples(motion, swings)
        rests = rest_samples(motion, [(swing.start - BEFORE_ADDRESS_S, swing.end) for swing in swings])
        found[point] = Postures(
            address_times=motion.time[address],
            address_ups=rotate(inverse(oriented.coarse[point][address]), UP),
            rest_times=motion.time[rests],
            rest_ups=rotate(inverse(oriented.coarse[point][rests]), UP),
        )
    return found


def find_slips(
    series: Mapping[str, Postures],
    alignments: Mapping[str, Alignment],
    recording: Recording,
    settings: Settings,
    *,
    earlier: Stood,
) -> dict[str, Slip]:
    """By tracked point, the shift of its mount in mid-session or before it, where one is clear."""
    found = {}
    for point, seen in series.items():
        slip, before = _until_slip(point, seen, settings)
        anew = None
        if point in earlier.postures:
            same = recording.task == earlier.task
            # What slipped there sits here as it sat after that, which is not as the routine says.
            _, lent = _until_slip(point, earlier.postures[point], settings)
            anew = since_earlier(point, lent, before, same_task=same, settings=settings.slip)
        if anew is None and point in alignments:
            anew = unusual_address(
                alignments[point], before.address_ups, lead_side=recording.lead_side, settings=settings.slip
            )
        if anew is not None and slip is not None:
            # After the second shift neither is known well enough to be taken off.
            anew = replace(anew, turn=None, angle=anew.angle + slip.angle)
        if shift := anew or slip:
            found[point] = shift
    return found


def _until_slip(point: str, seen: Postures, settings: Settings) -> tuple[Slip | None, Postures]:
    """The shift while a sensor recorded, if one is clear, and how it stood before that."""
    slip = find_slip(
        point, seen.address_times, seen.address_ups, seen.rest_times, seen.rest_ups, settings=settings.slip
    )
    return slip, seen if slip is None else seen.until(slip.time)


def after_slips(cut: Cut, alignments: Mapping[str, Alignment], slips: Mapping[str, Slip]) -> Cut:
    """A swing with the segments of sensors that had slipped before it set right."""
    if not any(slip.time < cut.sight.candidate.start for slip in slips.values()):
        return cut
    segments = {
        point: set_right(segment, alignments[point], slips[point])
        if point in slips and slips[point].time < cut.sight.candidate.start
        else segment
        for point, segment in cut.segments.items()
    }
    return replace(cut, segments=segments)
