"""Whether the levels of a point can be true: a clip that is off, swapped channels, a wrong probe switch.

Owns the limits, which allow for whatever the part may be, and what to check where they are exceeded.
"""

from __future__ import annotations

import numpy as np

from twonode.acquire.errors import ChannelsSwapped, LevelMismatch, NoSignal
from twonode.acquire.levels import Predictor
from twonode.acquire.request import SweepRequest, with_value
from twonode.analysis.hookup import HookUp
from twonode.analysis.quantities import format_quantity
from twonode.analysis.ratio import PointReading
from twonode.analysis.stage import PartKind

__all__ = ["LEAST_LEVEL", "LevelCheck"]

LEVEL_LIMIT = 0.25
"""Relative difference between channel 1 and the generator's setting that is still believed (issue)."""
LIGHTLY_LOADED = 0.9
HEAVIEST_LOADED = 0.03
"""Shares of the open-circuit level at the drive node: above the first a stage hardly loads the generator."""
LEAST_LEVEL = 0.02
"""Share of the generator's level below which channel 1 carries nothing but noise."""
LEAST_LEVEL = 0.02
"""Share of the generator's level below which channel 1 carries nothing but noise."""
DEAD_SIGMA = 5.0
SWAPPED_RATIO = 1.25
STRAY_SEEN_FARAD = 0.3e-12
"""Even an open part leaves some tenths of a picofarad between its leads (from memory)."""


class LevelCheck:
    """Holds the points of one sweep against what its circuit lets through, whatever the part is."""

    def __init__(self, request: SweepRequest) -> None:
        self._request = request
        self._bare = {
            kind: Predictor(with_value(request, farad))
            for kind, farad in (("open", STRAY_SEEN_FARAD), ("shorted", 1.0))
        }

    def check(self, hz: float, reading: PointReading, *, level_vpp: float, expected_drive: float) -> None:
        """Both channels of a point that is neither clipped nor too small.

        level_vpp : the generator's, open circuit. expected_drive : share of it that channel 1 should carry.

        Raises NoSignal, ChannelsSwapped, LevelMismatch.
        """
        self._check_level(hz, reading, level_vpp, expected_drive)
        self._check_alive(hz, reading)

    def _check_level(self, hz: float, reading: PointReading, level_vpp: float, expected_drive: float) -> None:
        """Channel 1 against the generator's setting, allowing for whatever the part may be."""
        level = reading.drive_vpp / level_vpp
        if level < LEAST_LEVEL:
            raise NoSignal(
                f"No signal at channel 1: {format_quantity(reading.drive_vpp, 'V', 2)} where "
                f"{format_quantity(level_vpp * expected_drive, 'V')} were expected.",
                "The generator's signal does not reach the drive node.",
                "Check the generator's lead, its output and channel 1's clip; the output is off now.",
            )
        if reading.point is not None and abs(reading.point.ratio) > SWAPPED_RATIO and self._passive():
            raise ChannelsSwapped(
                f"Channel 2 carries {abs(reading.point.ratio):.2g} times the voltage of channel 1.",
                "Without coils the far node can never carry more than the drive node.",
                f"Clip channel 1 to {self._request.stage.drive!r} and channel 2 to {self._request.stage.far!r}; "
                "check that both probe switches match the probe factors.",
            )
        possible = [expected_drive, *(p.at(hz).drive for p in self._bare.values())]
        if self._request.hookup is HookUp.STAGE and min(possible) < LIGHTLY_LOADED:
            # A stage that loads the generator does so by parts any of which may be what is wrong.
            possible += [HEAVIEST_LOADED, 1.0]
        if min(possible) * (1 - LEVEL_LIMIT) <= level <= max(possible) * (1 + LEVEL_LIMIT):
            return
        off = level / expected_drive
        if off > 5 or off < 0.2:
            do = "Check channel 1's probe switch (1x or 10x) against the probe factor."
        elif 1.6 < off < 2.5 or 0.4 < off < 0.625:
            do = "Check the generator's load setting: it must be high impedance."
        else:
            do = "Check channel 1's clip, the load setting of the generator and channel 1's probe switch."
        raise LevelMismatch(
            f"Channel 1 carries {format_quantity(reading.drive_vpp, 'V')}, the generator is set to "
            f"{format_quantity(level_vpp, 'V')} peak-to-peak: {off:.2g} times what was expected.",
            "More than 25 % between the two means a wrong setting, and it may be in channel 2 as well.",
            do,
        )

    def _check_alive(self, hz: float, reading: PointReading) -> None:
        """Channel 2 dead although neither an open nor a shorted part could silence it: a clip is off."""
        if reading.point is None:
            return
        re, _, im = reading.point.ratio_cov
        noise = float(np.sqrt(re + im))
        if abs(reading.point.ratio) > DEAD_SIGMA * noise:
            return
        visible = [p.at(hz).far / max(p.at(hz).drive, 1e-9) for p in self._bare.values()]
        if min(visible) > 3.0 * DEAD_SIGMA * noise:
            raise NoSignal(
                f"No signal at channel 2 at {format_quantity(hz, 'Hz')}: less than "
                f"{format_quantity(2 * DEAD_SIGMA * noise * reading.drive_vpp, 'V', 2)}.",
                "Even an open or shorted part would let more through than that.",
                f"Check channel 2's clip at {self._request.stage.far!r} and its probe; the output is off now.",
            )

    def _passive(self) -> bool:
        return not any(p.kind is PartKind.INDUCTOR for p in self._request.stage.parts)
