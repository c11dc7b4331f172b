"""The words of caution, said where the person is about to act.

Owns the texts only. Local electrical codes and licensed practice come first; nothing here gives permission.
"""

from __future__ import annotations

__all__ = ["COMPANION_CAUTION", "DC_CAUTIONS", "LOOSE_PART_CAUTIONS", "SOLDERING_CAUTIONS", "SWEEP_CAUTIONS"]

SWEEP_CAUTIONS: tuple[str, ...] = (
    "This work can kill. Local electrical codes and licensed practice come first; this program permits nothing.",
    "Never sweep a powered set: pull the mains plug and keep it in view.",
    "Discharge the filter capacitors, leave a bleeder on, and check with a meter: both nodes below 5 V.",
    "Put a DC-blocking capacitor rated for the set's voltages in the generator lead, ahead of channel 1.",
    "A scope's ground clip is earth; a transformerless chassis may be at mains potential even switched off.",
)

COMPANION_CAUTION = (
    "Clip the companion on with the set unplugged and discharged; off it comes before power returns."
)

DC_CAUTIONS: tuple[str, ...] = (
    "This work can kill: the set is live and its DC voltages are lethal.",
    "Meter work only: never clip a scope or a generator to a live set.",
    "A transformerless chassis can be at mains potential: use an isolation transformer for the set alone.",
    "Probes rated for the voltage, one hand, never alone.",
    "Local electrical codes and licensed practice come first; this program permits nothing.",
)

LOOSE_PART_CAUTIONS: tuple[str, ...] = (
    "A capacitor may hold its charge for months, and a large one can kill. Local electrical codes and licensed "
    "practice come first; this program permits nothing.",
    "Discharge every part through a resistor and check it with a meter, below 5 V, before it goes into the clips.",
    "Only loose parts go into the fixture: nothing that is still wired to a set.",
    "Polarised parts get at most 0.3 V peak: from 0.1 uF on that is done by itself, below it with --polarised.",
    "Measured at a volt or less: nothing is said of leakage at working voltage, and the voltage stays unknown.",
)

SOLDERING_CAUTIONS: tuple[str, ...] = (
    "This work can kill. Local electrical codes and licensed practice come first; this program permits nothing.",
    "Before soldering: mains plug out and in view, filter capacitors discharged, every node below 5 V on a meter.",
    "After soldering: check the new part's place and polarity with the plug still out, then power up carefully.",
)
