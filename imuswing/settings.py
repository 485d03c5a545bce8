"""All settings of an analysis, step by step; each step says what its settings mean and where they come from."""

from __future__ import annotations

from dataclasses import dataclass, field

from imuswing.body.priors import CarePriors
from imuswing.body.routine_settings import RoutineSettings
from imuswing.body.segments import SegmentSettings
from imuswing.body.slip import SlipSettings
from imuswing.body.tie import TieSettings
from imuswing.measures.swing import MeasureSettings
from imuswing.orientation.learn import LearnSettings
from imuswing.parts import PartSettings
from imuswing.sensors.settings import SensorSettings
from imuswing.swings.backwards import BackwardsSettings
from imuswing.swings.events import EventSettings
from imuswing.swings.find import FindSettings
from imuswing.swings.judge import JudgeSettings


@dataclass(frozen=True, kw_only=True)
class Settings:
    """All settings of an analysis, step by step."""

    parts: PartSettings = field(default_factory=PartSettings)
    sensors: SensorSettings = field(default_factory=SensorSettings)
    learn: LearnSettings = field(default_factory=LearnSettings)
    routine: RoutineSettings = field(default_factory=RoutineSettings)
    care: CarePriors = field(default_factory=CarePriors)
    find: FindSettings = field(default_factory=FindSettings)
    events: EventSettings = field(default_factory=EventSettings)
    judge: JudgeSettings = field(default_factory=JudgeSettings)
    segments: SegmentSettings = field(default_factory=SegmentSettings)
    backwards: BackwardsSettings = field(default_factory=BackwardsSettings)
    slip: SlipSettings = field(default_factory=SlipSettings)
    tie: TieSettings = field(default_factory=TieSettings)
    measures: MeasureSettings = field(default_factory=MeasureSettings)
