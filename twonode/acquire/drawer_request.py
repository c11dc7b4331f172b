"""What a drawer session is asked to be, and whether it can be done at all.

Owns the request and the checks that need no instrument.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from twonode.acquire.errors import UnfitRequest
from twonode.analysis.fixture import FIXTURE_RESISTORS_OHM
from twonode.analysis.quantities import Tolerance, format_quantity
from twonode.recordings.drawer_tags import BATCH_TAG, NUMBER_TAG, STEP_TAG

__all__ = ["DrawerRequest", "check_drawer_request"]

SMALLEST_KNOWN_FARAD, LARGEST_KNOWN_FARAD = 9.9e-12, 10.1e-6


@dataclass(frozen=True, slots=True, kw_only=True)
class DrawerRequest:
    """A batch as the person asked for it.

    batch : its name, in tags and files. known : value in F and limits of a part to check the fixture with, or None.
    resistors_ohm, resistor_tolerance : those at hand. polarised : parts may be polarised whatever their value, so
        none gets more than 0.3 V peak. null : folder of a null run to go by instead of making one.
    """

    batch: str
    known: tuple[float, Tolerance] | None = None
    resistors_ohm: tuple[float, ...] = FIXTURE_RESISTORS_OHM
    resistor_tolerance: Tolerance = field(default_factory=lambda: Tolerance(minus=0.001, plus=0.001))
    probe_factors: tuple[float, float] = (10.0, 10.0)
    line_hz: float = 50.0
    polarised: bool = False
    null: Path | None = None
    tags: Mapping[str, str] = field(default_factory=dict)
    operator: str | None = None
    simulated: bool = False
    seed: int | None = None


def check_drawer_request(request: DrawerRequest) -> None:
    """Refuse what cannot be done, before any instrument is touched. Raises UnfitRequest."""
    strange = [ohm for ohm in request.resistors_ohm if ohm not in FIXTURE_RESISTORS_OHM]
    if strange or not request.resistors_ohm:
        raise UnfitRequest(
            f"Fixture resistors of {', '.join(f'{ohm:g} ohm' for ohm in strange) or 'no value'} are not used.",
            "The advice which one to clip in is made for decades, from 100 ohm to 1 Mohm.",
            "Name those of 100, 1k, 10k, 100k and 1M that are at hand.",
        )
    if request.known is not None and not SMALLEST_KNOWN_FARAD <= request.known[0] <= LARGEST_KNOWN_FARAD:
        raise UnfitRequest(
            f"A known part of {format_quantity(request.known[0], 'F')} does not check this fixture.",
            "It reads 10 pF to 10 µF; a part at its ends or beyond says little of those in between.",
            "Take one of some hundred picofarads to some hundred nanofarads, such as 1n 1%.",
        )
    own = [key for key in (BATCH_TAG, STEP_TAG, NUMBER_TAG) if key in request.tags]
    if own:
        raise UnfitRequest(
            f"The tag {own[0]!r} cannot be given to a batch.",
            "By it the recordings of a batch say themselves what they are.",
            "Write what you want to keep under another key, such as place=shed.",
        )
    if not request.batch.strip():
        raise UnfitRequest(
            "The batch has no name.",
            "Its recordings are found by it.",
            "Give it one, such as --batch tin-box.",
        )
