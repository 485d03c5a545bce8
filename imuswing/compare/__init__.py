"""Does a drill change anything, and can one tell: blocks, visits, outcomes, own best, agreement of measurements."""

from imuswing.compare.agreement import bland_altman, intraclass, repeatability
from imuswing.compare.order import order_effects
from imuswing.compare.own_best import against_own_best, best_shot
from imuswing.compare.relations import relate
from imuswing.compare.reliability import reliability
from imuswing.compare.settings import CompareSettings, Size
from imuswing.compare.table import COLUMNS, compare
from imuswing.compare.verdict import VERDICTS

__all__ = [
    "COLUMNS",
    "VERDICTS",
    "CompareSettings",
    "Size",
    "against_own_best",
    "best_shot",
    "bland_altman",
    "compare",
    "intraclass",
    "order_effects",
    "relate",
    "reliability",
    "repeatability",
]
