"""The tags by which the recordings of a drawer batch say what they are.

Owns their names and words. Every recording of a batch carries:

    drawer   name of the batch
    step     a `DrawerStep`
    number   of the part in its batch, from 1; of `FIRST_LOOK` and `PART` only

A part is filed as one to three first looks and, where they found something to measure, one measurement. The result
lies beside the last recording of a part: that is the measurement, or a first look where that was enough to say what
the part is (open, shorted, out of reach). So a first look without a result is by-work of the recording with the same
`drawer` and `number`.
"""

from __future__ import annotations

from enum import Enum

__all__ = ["BATCH_TAG", "NUMBER_TAG", "STEP_TAG", "DrawerStep"]

BATCH_TAG = "drawer"
STEP_TAG = "step"
NUMBER_TAG = "number"


class DrawerStep(Enum):
    """What a recording of a batch was made for; the value is the word in the tag."""

    NULL_RUN = "null run"
    OPEN_FIXTURE = "open fixture"
    KNOWN_PART = "known part"
    FIRST_LOOK = "first look"
    PART = "part"
