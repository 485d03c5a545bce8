"""Every threshold of the sensor step in one place, each with its source."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, kw_only=True)
class SensorSettings:
    """Thresholds of `sensors.prepare`. Where no source is named: common practice, no source.

    Stillness:
    still_shortest_s: a stretch must last this long.
    still_gyr_sd_dps, still_acc_sd_mps2: a sensor on a person who stands quietly stays under these standard deviations
        within a window.
    still_noise_factor: or under this many times the sensor's own noise, if that is more.
    still_turn_dps: once the bias is known, a stretch that turns steadily faster than this is not still.
    """

    still_shortest_s: float = 0.3
    still_gyr_sd_dps: float = 2.5
    still_acc_sd_mps2: float = 0.20
    still_noise_factor: float = 4.0
    still_turn_dps: float = 4.0


DEFAULT_SETTINGS = SensorSettings()
