"""How often the columns of a file are guessed right: `python scripts/guess_layouts.py --layouts 200 --faults 80`.

Layouts come from `layouts_for_import.py`, which shares nothing with the guesser. *Right*: every sensor at its place,
its samples within 1 % (raw counts, whose scale only gravity tells: 4 %), its times within half a sample. A wrong guess
has to be flagged by a sentence; a fault that a person made (axes of another frame, a wrong unit in the header, left for
right) by the sentence for it, unless the import came out right. Exit status 1 where fewer than 95 % are right or
something wrong goes unflagged.
"""

from __future__ import annotations

import argparse
import re
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

import numpy as np
from layouts_for_import import FAULTS, Layout, draw

from imuswing.errors import ImuswingError
from imuswing.formats.bring_in import Labels, find_maps, make_recording, read_tables

WANTED = 0.95
SAYS = {
    "axes": "axes",
    "hand": "axes",
    "wrong_acc_unit": "header says",
    "wrong_gyr_unit": "header says",
    "exchanged": "exchanged",
    "other_side": "lead side",
}
"""By fault what a sentence about it holds."""
PUT_RIGHT = ("wrong_acc_unit", "wrong_gyr_unit", "exchanged")
"""Faults that the data put right, so that no word is needed where a header was not understood."""


def judge(layout: Layout) -> tuple[list[str], list[str]]:
    """What is wrong with the guess, and the sentences that flag doubts."""
    options = layout.options
    try:
        tables = read_tables(layout.files)
        guess = find_maps(tables, map_path=None, rate=options.get("rate"), sensors=options.get("sensors", ()),
                          lead_side=layout.lead_side)  # fmt: skip
        labels = Labels(participant="S1", session="01", task="chip")
        recording, _, more = make_recording(tables, guess.maps, labels=labels, lead_side=layout.lead_side, events=None)
    except ImuswingError as error:
        return [f"error: {error}"], [str(error)]
    wrong = [] if set(recording.sensors) == set(layout.truth) else [f"places {sorted(recording.sensors)}"]
    tolerance = 0.04 if layout.about["units"] == "counts" else 0.01
    for point, (acc, gyr, times) in layout.truth.items():
        stream = recording.sensors.get(point)
        if stream is None:
            continue
        for what, got, true in (("acc", stream.acc, acc), ("gyr", stream.gyr, gyr)):
            scale = np.nanmax(np.abs(true))
            if got.shape != true.shape or not np.nanmax(np.abs(got - true)) < tolerance * scale:
                wrong.append(f"{point} {what}")
        if len(stream.time) != len(times) or np.max(np.abs(stream.time - times)) > 0.5 / stream.rate:
            wrong.append(f"{point} times")
    return wrong, [*guess.doubts, *more]


def _kind(doubt: str) -> str:
    """A doubt without what differs from file to file."""
    return re.sub(r"[\d.e+-]+", "#", doubt.split(": ", 1)[-1])[:70]


def main() -> int:
    """Draw, guess, count, and name what went wrong."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--layouts", type=int, default=200)
    parser.add_argument("--faults", type=int, default=80)
    parser.add_argument("--first", type=int, default=0, help="seed of the first layout")
    parser.add_argument("-v", "--verbose", action="store_true")
    args = parser.parse_args()
    kinds = [fault for fault in dict.fromkeys(FAULTS) if fault]
    count: Counter[str] = Counter()
    kinds_of_doubt: Counter[str] = Counter()
    begun = time.process_time()
    for number in range(args.layouts + args.faults):
        fault = "" if number < args.layouts else kinds[number % len(kinds)]
        with tempfile.TemporaryDirectory() as folder:
            layout = draw(args.first + number, Path(folder), fault=fault)
            wrong, doubts = judge(layout)
        if fault:
            seen = any(SAYS[fault] in doubt for doubt in doubts) or (fault in PUT_RIGHT and not wrong)
            count["faults seen" if seen else "faults missed"] += 1
            count[f"{fault} {'seen' if seen else 'missed'}"] += 1
            show = not seen
        else:
            count["wrong" if wrong else "right"] += 1
            count["wrong, unflagged"] += bool(wrong) and not doubts
            count["right without a doubt"] += not wrong and not doubts
            show = bool(wrong)
            kinds_of_doubt.update(_kind(doubt) for doubt in doubts if not wrong)
        if show or args.verbose:
            print(f"{args.first + number} {fault or 'sound'}: {wrong} {layout.about}\n    doubts: {doubts}")
    for what, number in sorted(count.items()):
        print(f"{what}: {number}")
    for what, number in kinds_of_doubt.most_common(12):
        print(f"  doubt though right, {number}: {what}")
    print(f"{time.process_time() - begun:.0f} s")
    good = count["right"] >= WANTED * args.layouts and not count["wrong, unflagged"] and not count["faults missed"]
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
