"""The words of caution, said where the person is about to act.

Owns the texts only. Local electrical codes and licensed practice come first; nothing here gives permission.
"""

from __future__ import annotations

__all__ = ["COMPANION_CAUTION", "DC_CAUTIONS", "SWEEP_CAUTIONS"]

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
