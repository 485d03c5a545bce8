"""What the names of columns and files say: sensor, kind, axis, unit.  It is a guess, held against the data."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

from imuswing.vocabulary import CHEST, CLUB, LEAD_FOREARM, LEAD_HAND, LEAD_UPPER_ARM, PELVIS

POINT_WORDS: Final = (
    (LEAD_UPPER_ARM, r"upper_?arm|humerus|biceps"),
    (LEAD_FOREARM, r"fore_?arm|lower_?arm|wrist|ulna|radius"),
    (LEAD_HAND, r"hand|glove|metacarp"),
    (CHEST, r"chest|sternum|trunk|torso|thorax|breast|upper_?back|t8|c7"),
    (PELVIS, r"pelvis|sacrum|hips?|belt|waist|lower_?back|s1"),
    (CLUB, r"club|shaft"),
)
"""By tracked point the words that people use for its place (common practice, no source); the first that fits wins."""

_UNIT_WORDS: Final = (
    ("acc", "mg", r"mg|milli_?g"),
    ("acc", "m/s^2", r"m/s\^?(2|²)|m/s/s|m_?s-?\^?2|m_per_s2|mps2|ms2|m s-2|m/s\*\*2"),
    ("gyr", "mdeg/s", r"mdps|mdeg/s"),
    ("gyr", "deg/s", r"deg/s(ec)?|deg_?per_?s|dps|degs|°/s|º/s|deg_s|deg s-1"),
    ("gyr", "rad/s", r"rad/s(ec)?|rad_?per_?s|rads|rps|rad_?ps|rad_s|rad s-1"),
    ("mag", "uT", r"[uµμ]t|micro_?tesla"),
    ("mag", "mT", r"mt"),
    ("mag", "mgauss", r"mgauss|mga"),
    ("mag", "gauss", r"gauss|gs"),
    ("acc", "g", r"g|g's|gs"),
    ("time", "ms", r"ms|msec|milli_?s(ec(ond)?s?)?"),
    ("time", "us", r"[uµμ]s|usec|micro_?s(ec(ond)?s?)?"),
    ("time", "ns", r"ns|nsec|nano_?s(ec(ond)?s?)?"),
    ("time", "s", r"s|sec|seconds?"),
    ("time", "ticks", r"ticks?|counts?"),
)

_OTHER: Final = re.compile(
    r"quat|euler|roll|pitch|yaw|temp|press|batt|volt|gravity|linear|lin_?acc|free_?acc|user_?acc|altitude|gps|rssi|"
    r"heading|position|checksum|crc|label|status|(?:^|_)q[wxyz0-3]$"
)
KIND_WORDS: Final = {
    "gyr": r"gyroscope|gyro|gyr|angular_?vel(?:ocity)?|ang_?vel|rotation_?rate|rot_?rate|omega|turn_?rate|drehrate|"
    r"winkelgeschw(?:indigkeit)?",
    "acc": r"accelerometer|acceleration|accel|acc|beschl(?:eunigung)?",
    "mag": r"magnetometer|magnetic_?field|magnetic|magn|mag|magnet(?:feld)?",
}
"""By kind the words for it; a pattern."""
_SHORT: Final = {"a": "acc", "g": "gyr", "w": "gyr", "m": "mag"}
_TIME: Final = re.compile(
    r"(?:^|_)(?:(?:time|timestamp|unix_?time|epoch|t|date|datetime|clock|elapsed|utc|latency)s?|.*timestamp.*)(?:_|$)"
)
_COUNTER: Final = re.compile(
    r"(?:^|_)(sample|samples|counter|count|index|idx|packet|packets|frame|row|n|no|nr|number|seq|sequence|tick|ticks)"
    r"(?:_|$)"
)


@dataclass(frozen=True, kw_only=True)
class Name:
    """What one name says.  kind: acc, gyr, mag, time, counter, other or None.  group: the rest, which parts sensors."""

    column: str
    kind: str | None = None
    axis: str | None = None
    unit: str | None = None
    group: str = ""


def plain(text: str) -> str:
    """A name in lower case with words joined by single underscores."""
    text = re.sub(r"([a-z])([A-Z])", r"\1_\2", text)
    return re.sub(r"[^a-z0-9]+", "_", text.lower()).strip("_")


def read_name(column: str) -> Name:
    """What the name of a column says."""
    # An index in brackets is an axis, no unit.
    bare, unit_text = _part_unit(re.sub(r"[\[(]([0-3xyzXYZ])[\])]", r"_\1", column))
    text = plain(bare)
    if _OTHER.search(text):
        return Name(column=column, kind="other")
    found = _triad(text)
    if found is not None:
        of_what, axis, group = found
        unit, group = _unit_at_end(unit_text, of_what, group)
        return Name(column=column, kind=of_what, axis=axis, unit=unit, group=group)
    kind = "time" if _TIME.search(f"{text}") else "counter" if _COUNTER.search(text) else None
    unit = unit_of(unit_text, "time") or unit_of(text.rsplit("_", 1)[-1] if "_" in text else "", "time")
    if kind == "counter" and re.search("tick", text):
        unit = unit or "ticks"
    return Name(column=column, kind=kind, unit=unit if kind else None)


def _part_unit(column: str) -> tuple[str, str]:
    """The name without a unit in brackets or after a comma, and that unit."""
    match = re.fullmatch(r"(.*?)\s*(?:[\[({<]([^\])}>]*)[\])}>]|,\s*([^,]*)|\s+in\s+(\S+))\s*(.*)", column.strip())
    if match is None:
        return _suffix_unit(column)
    return f"{match[1]} {match[5]}", next((m for m in match.groups()[1:4] if m), "")


def _suffix_unit(column: str) -> tuple[str, str]:
    """A unit behind the axis, such as `acc_x_g` or `gyro_z_dps`."""
    match = re.fullmatch(r"(.+[_\s.:-]?[xyzXYZ])[_\s.:-]+(\S.*)", column.strip())
    if match and any(re.fullmatch(words, match[2].strip(), re.IGNORECASE) for _, _, words in _UNIT_WORDS):
        return match[1], match[2].strip()
    return column, ""


def unit_of(text: str, kind: str) -> str | None:
    """The unit of a kind that a text names, None where it names none."""
    text = text.strip().lower().replace("μ", "µ")
    return next((unit for k, unit, words in _UNIT_WORDS if k == kind and re.fullmatch(words, text)), None)


def is_unit(text: str) -> bool:
    """Whether a text is a unit of anything that a logger measures, or says that there is none."""
    text = text.strip().lower().replace("μ", "µ")
    known = any(re.fullmatch(words, text) for _, _, words in _UNIT_WORDS)
    return known or text in ("-", "n/a", "1", "°", "deg", "degc", "°c", "v", "%", "rad", "pa", "hpa", "lsb", "raw")


def _unit_at_end(unit_text: str, kind: str, group: str) -> tuple[str | None, str]:
    unit = unit_of(unit_text, kind)
    if unit is None and group:
        head, _, tail = group.rpartition("_")
        for text, rest in ((group, ""), (tail, head)):
            if unit_of(text, kind) is not None and len(text) > 1:
                return unit_of(text, kind), rest
    return unit, group


def _triad(text: str) -> tuple[str, str, str] | None:
    """Kind, axis and the rest of a name that means one axis of a sensor."""
    for kind, words in KIND_WORDS.items():
        match = re.search(rf"(?:^|_|(?<=\d))(?:{words})(\d*)(?:_|(?=[xyz](?:_|$))|$)(.*)", text)
        if match is None:
            continue
        before, number, after = text[: match.start()], match[1], match[2]
        axis = re.search(r"(?:^|_)([xyz])(?:_|$)", after) or re.search(r"(?:^|_)([xyz])(?:_|$)", before)
        if axis is not None:
            in_after = axis.string is after
            rest = re.sub(r"(?:^|_)[xyz](?=_|$)", "", after if in_after else before, count=1)
            group = "_".join(filter(None, (before, number, rest) if in_after else (rest, number, after)))
            return kind, axis[1], group.strip("_")
        if number in ("0", "1", "2", "3") and not after:
            return kind, f"#{number}", before.strip("_")
        numbered = re.fullmatch(r"_?([0-3])", after)
        if numbered:
            return kind, f"#{numbered[1]}", "_".join(filter(None, (before, number))).strip("_")
    short = re.fullmatch(r"(?:(.*)_)?([agwm])_?([xyz])(?:_?(\d+))?(?:_(.*))?", text)
    if short:
        group = "_".join(part for part in (short[1], short[4], short[5]) if part)
        return _SHORT[short[2]], short[3], group
    return None


def point_of(text: str) -> str | None:
    """The tracked point that a file or group name tells."""
    words = plain(text)
    return next((point for point, pattern in POINT_WORDS if re.search(rf"(?:{pattern})(?![a-z])", words)), None)


def side_of(text: str) -> str | None:
    """`left` or `right` where a name tells a side of the body, as a word of its own."""
    words = plain(text).split("_")
    for side, short in (("left", "l"), ("right", "r")):
        if side in words or short in words:
            return side
    return None
