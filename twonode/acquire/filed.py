"""What a run on the bench files, in the words of `recordings`: rows, instruments, channels, probes, versions.

Owns the translation from what was measured to what is stored, for sweeps and null runs alike. Decides nothing.
"""

from __future__ import annotations

import platform

import msgspec

import twonode
from twonode.acquire.attempt import Attempt
from twonode.analysis.channel import ChannelClass, probe_for_factor
from twonode.analysis.ratio import PointReading
from twonode.analysis.traces import TracePair
from twonode.drivers.bench import Bench
from twonode.drivers.generator import Generator
from twonode.drivers.profile_format import Profile
from twonode.recordings.model import Instrument, InstrumentRole, PointRow, PointState, Probe

__all__ = ["channel_class", "filed_instruments", "filed_probe", "filed_row", "filed_versions", "traced_row"]


def filed_row(
    index: int, attempt: Attempt, *, line_hz: float | None, level_vpp: float, time_s: float
) -> PointRow:
    """One row of points.csv from the record a point ended with; time_s : from the start of the run, s."""
    row = traced_row(
        index,
        attempt.reading,
        attempt.traces,
        frequency_hz=attempt.frequency_hz,
        line_hz=line_hz,
        reason=attempt.reason,
    )
    return msgspec.structs.replace(
        row,
        time_s=time_s,
        frequency_set_hz=attempt.frequency_set_hz,
        averages=attempt.averages,
        state=PointState.USED if attempt.used else PointState.REFUSED,
        repeats=attempt.repeats,
        repeat_reason=attempt.repeat_reason,
        waited_s=attempt.waited_s,
        level_vpp=level_vpp,
    )


def traced_row(
    index: int,
    reading: PointReading,
    traces: TracePair,
    *,
    frequency_hz: float,
    line_hz: float | None,
    reason: str | None,
) -> PointRow:
    """The same from traces alone, which tell nothing of when and how they were taken; reason : why it is not used."""
    point = reading.point
    drive_step, far_step = abs(traces.drive.volts_per_code), abs(traces.far.volts_per_code)
    return PointRow(
        point=index,
        time_s=0.0,
        frequency_set_hz=frequency_hz,
        frequency_hz=frequency_hz,
        ratio_re=point.ratio.real if point else None,
        ratio_im=point.ratio.imag if point else None,
        var_re=point.ratio_cov[0] if point else None,
        cov_re_im=point.ratio_cov[1] if point else None,
        var_im=point.ratio_cov[2] if point else None,
        drive_vpp=reading.drive_vpp,
        far_vpp=reading.far_vpp,
        drive_volts_per_div=traces.drive.volts_per_div,
        far_volts_per_div=traces.far.volts_per_div,
        samples=traces.samples,
        sample_interval_s=traces.sample_interval_s,
        line_hz=line_hz,
        line_harmonics=2,
        state=PointState.USED if reason is None else PointState.REFUSED,
        reason=reason,
        drive_residual_v=reading.drive_residual_lsb * drive_step,
        far_residual_v=reading.far_residual_lsb * far_step,
        drive_dc_v=reading.drive_dc_v,
        far_dc_v=reading.far_dc_v,
    )


def filed_instruments(
    bench: Bench, *, level_vpp: float, probe_factors: tuple[float, float]
) -> tuple[Instrument, ...]:
    """Generator and scope as they were found and set."""
    return (
        Instrument(
            role=InstrumentRole.GENERATOR,
            resource=bench.generator.resource,
            identity=bench.generator.identity,
            profile=bench.generator.profile.name,
            settings=_generator_settings(bench.generator, level_vpp),
        ),
        Instrument(
            role=InstrumentRole.SCOPE,
            resource=bench.scope.resource,
            identity=bench.scope.identity,
            profile=bench.scope.profile.name,
            settings={
                **_standing(bench.scope.profile),
                "coupling": "DC",
                "probe_factor_channel_1": probe_factors[0],
                "probe_factor_channel_2": probe_factors[1],
            },
        ),
    )


def _generator_settings(generator: Generator, level_vpp: float) -> dict[str, str | int | float | bool | None]:
    """As read back; what the family cannot be asked for is named."""
    settings: dict[str, str | int | float | bool | None] = {
        **_standing(generator.profile),
        "level_vpp": level_vpp,
        "load": "high impedance" if generator.profile.load_can_be_set else "no such setting",
    }
    if generator.unconfirmed:
        settings["not_read_back"] = "; ".join(generator.unconfirmed)
    return settings


def _standing(profile: Profile) -> dict[str, str]:
    """How far the profile itself can be trusted."""
    return {"profile_evidence": profile.evidence.value, "profile_hardware_status": profile.hardware_status}


def channel_class(bench: Bench) -> ChannelClass:
    """How far this scope's channels may differ, by its profile."""
    return ChannelClass(gain_sigma=bench.scope.profile.gain_standard_uncertainty)


def filed_probe(factor: float) -> Probe:
    """The stated class of probe for a division factor, as it is stored."""
    probe = probe_for_factor(factor)
    return Probe(
        factor=probe.factor,
        resistance_ohm=probe.resistance_ohm,
        resistance_standard_uncertainty_ohm=probe.resistance_ohm * probe.resistance_sigma,
        capacitance_farad=probe.capacitance_farad,
        capacitance_standard_uncertainty_farad=probe.capacitance_farad * probe.capacitance_sigma,
        compensation_standard_uncertainty=probe.compensation_sigma,
    )


def filed_versions() -> dict[str, str]:
    """Program and libraries that did the work."""
    import numpy
    import scipy

    return {
        "twonode": twonode.__version__,
        "python": platform.python_version(),
        "numpy": numpy.__version__,
        "scipy": scipy.__version__,
    }
