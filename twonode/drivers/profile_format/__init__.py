"""What a command profile holds: everything in which one instrument family differs from another.

Owns the typed form and its checks. Reading the files and choosing among them belongs to `profiles`; nothing
here sends anything. Command texts may hold ``{channel}``, ``{value}``, ``{first}`` and ``{last}`` where they
say so.
"""

from __future__ import annotations

from twonode.drivers.profile_format.common import (
    BaseProfile,
    ErrorQueue,
    Evidence,
    Identify,
    IdentityMatch,
    InstrumentKind,
    Line,
    Question,
    Setting,
    Step,
    StepLadder,
)
from twonode.drivers.profile_format.generator import AmplitudeMeaning, GeneratorProfile, OutputBy
from twonode.drivers.profile_format.numbers import NumberForm, ReplyForm
from twonode.drivers.profile_format.scope import Averaging, Done, OffsetMeaning, RecordDepth, ScopeProfile
from twonode.drivers.profile_format.voltmeter import VoltmeterProfile
from twonode.drivers.profile_format.waveform import (
    ByteOrder,
    CurveFields,
    MemoryList,
    OriginUnit,
    TenField,
    VdivCodes,
    Wavedesc,
    WaveformTransfer,
)

__all__ = [
    "AmplitudeMeaning",
    "Averaging",
    "BaseProfile",
    "ByteOrder",
    "CurveFields",
    "Done",
    "ErrorQueue",
    "Evidence",
    "GeneratorProfile",
    "Identify",
    "IdentityMatch",
    "InstrumentKind",
    "Line",
    "MemoryList",
    "NumberForm",
    "OffsetMeaning",
    "OriginUnit",
    "OutputBy",
    "Profile",
    "Question",
    "RecordDepth",
    "ReplyForm",
    "ScopeProfile",
    "Setting",
    "Step",
    "StepLadder",
    "TenField",
    "VdivCodes",
    "VoltmeterProfile",
    "Wavedesc",
    "WaveformTransfer",
]

Profile = GeneratorProfile | ScopeProfile | VoltmeterProfile
