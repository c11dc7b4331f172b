"""One sweep's share of a model: its ratios as a function of the parameters, with exact slopes.

Owns the circuit, the loading and the channels' errors of one sweep; `model` puts the terms together and explains them.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from math import hypot, inf, log

import numpy as np
from numpy.typing import NDArray

from twonode.analysis.channel import PROBE_10, ChannelClass, Probe, compensation, probe_parts
from twonode.analysis.network import Network
from twonode.analysis.network.admittance import capacitor_admittance, inductor_admittance
from twonode.analysis.parameters import Aspect, Parameter, ParameterList
from twonode.analysis.ratio import RatioPoint
from twonode.analysis.stage import GROUND, Part, PartKind, Stage

__all__ = ["Sweep", "SweepTerm"]

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]


@dataclass(frozen=True, slots=True, kw_only=True)
class Sweep:
    """Ratios of one sweep with what they were taken on.

    stage : circuit with drive and far node, companion included; None for a null run.
    bench : names the instruments; sweeps of one bench share gains, compensation and skew.
    wiring_sigma_farad : standard uncertainty of capacitance at the far node that no part of the stage stands for, F.
        Without it a well compared pair of channels would read a neighbour's resistance off the probe's own few
        picofarads.
    """

    stage: Stage | None
    points: tuple[RatioPoint, ...]
    drive_probe: Probe = PROBE_10
    far_probe: Probe = PROBE_10
    channels: ChannelClass = field(default_factory=ChannelClass)
    bench: str = "bench"
    wiring_sigma_farad: float = 0.0


class SweepTerm:
    """One sweep's share of the model, with every index looked up once."""

    def __init__(self, sweep: Sweep, parameters: ParameterList, *, exact: bool) -> None:
        self.sweep = sweep
        self._parameters = parameters
        self.constants = np.zeros(0)
        self.s = 2j * np.pi * np.array([p.frequency_hz for p in sweep.points])
        self.measured = np.array([p.ratio for p in sweep.points])
        self._sizes = np.array([p.magnitude_only for p in sweep.points], dtype=bool)
        self._whiten()
        self.network: Network | None = None
        self.far = ""
        self.hidden: set[str] = set()
        self.shown: set[str] = set()
        if sweep.stage is not None:
            self._lay_out(sweep.stage, parameters)
        self._channels(sweep, parameters, exact=exact)

    def _whiten(self) -> None:
        cov = np.array([p.ratio_cov for p in self.sweep.points]).reshape(-1, 3)
        root = np.sqrt(cov[:, 0])
        below = cov[:, 1] / root
        last = np.sqrt(cov[:, 2] - below**2)
        self._first = 1.0 / root
        self._second = 1.0 / last
        self._mixed = -below / (root * last)

    def whitened(self, difference: Complex) -> Real:
        """Whiten complex differences, shape (..., n) to (..., 2 n)."""
        re, im = difference.real, difference.imag
        return np.concatenate([re * self._first, re * self._mixed + im * self._second], axis=-1)

    def _loading(self, parts: tuple[Part, Part], parameters: ParameterList) -> dict[str, int]:
        """Parameter places of the far probe's R and C, by part name."""
        probe = self.sweep.far_probe
        # Wiring belongs to the node, the probe to the bench.
        where = f" at {self.far}" if self.sweep.wiring_sigma_farad > 0 else ""
        return {
            part.name: parameters.place(
                Parameter(
                    owner=f"{self.sweep.bench} {part.name}{where}",
                    aspect=Aspect.VALUE,
                    mean=log(part.value),
                    sigma=sigma,
                    logarithmic=True,
                    source="probe loading",
                )
            )
            for part, sigma in zip(
                parts,
                (
                    probe.resistance_sigma,
                    hypot(probe.capacitance_sigma, self.sweep.wiring_sigma_farad / probe.capacitance_farad),
                ),
                strict=True,
            )
        }

    def _lay_out(self, stage: Stage, parameters: ParameterList) -> None:
        self.far = stage.far
        loading = probe_parts(self.sweep.far_probe, stage.far, "far probe")
        loads = self._loading(loading, parameters)
        held = {n for p in stage.parts if p.kind is PartKind.SUPPLY for n in p.between} | {
            GROUND,
            stage.drive,
        }
        seen = [p for p in stage.parts if p.kind is PartKind.SUPPLY or not set(p.between) <= held]
        self.hidden = {p.name for p in stage.parts} - {p.name for p in seen}
        self.shown = {p.name for p in seen}
        self.network = Network([*seen, *loading], forced=stage.drive)
        constants: list[float] = []

        def constant(value: float) -> int:
            constants.append(value)
            return -len(constants)

        rows: dict[PartKind, list[tuple[int, int, int, int, int]]] = {k: [] for k in PartKind}
        for row, part in enumerate(self.network.parts):
            value = loads[part.name] if part.name in loads else parameters.part_value(part)
            if part.kind is PartKind.CAPACITOR and part.name not in loads:
                parameters.dielectric(part)
            loss = parameters.find(part.name, Aspect.LOSS)
            esr = parameters.find(part.name, Aspect.ESR)
            leak = parameters.find(part.name, Aspect.LEAK)
            rows[part.kind].append(
                (
                    row,
                    value,
                    constant(part.loss) if loss is None else loss,
                    constant(part.esr_ohm) if esr is None else esr,
                    constant(inf if part.leak_ohm is None else part.leak_ohm) if leak is None else leak,
                )
            )
        # Constants are appended behind the parameters, so a negative place counts from the end.
        self.constants = np.array(constants[::-1])
        self._rows = {kind: np.array(found, dtype=int).reshape(-1, 5) for kind, found in rows.items()}

    def _channels(self, sweep: Sweep, parameters: ParameterList, *, exact: bool) -> None:
        gains = []
        for channel, ranges in (
            (1, [p.drive_volts_per_div for p in sweep.points]),
            (2, [p.far_volts_per_div for p in sweep.points]),
        ):
            gains.append(
                [
                    parameters.place(
                        Parameter(
                            owner=f"{sweep.bench} channel {channel} at {volts:.6g} V/div",
                            aspect=Aspect.GAIN,
                            mean=0.0,
                            sigma=sweep.channels.gain_sigma,
                            logarithmic=False,
                            source="channel gain",
                        )
                    )
                    for volts in ranges
                ]
            )
        self._drive_gain, self._far_gain = (np.array(g, dtype=int) for g in gains)
        self._errors: list[tuple[int, int, float, float]] = []
        for sign, side, probe in (
            (-1.0, "drive probe", sweep.drive_probe),
            (1.0, "far probe", sweep.far_probe),
        ):
            if probe.compensation_sigma <= 0:
                continue
            second = (
                (Aspect.TIME_CONSTANT, log(probe.time_constant_s), probe.time_constant_sigma)
                if exact
                else (Aspect.SHAPE, 0.0, probe.compensation_shape_sigma)
            )
            error, shape = (
                parameters.place(
                    Parameter(
                        owner=f"{sweep.bench} {side}",
                        aspect=aspect,
                        mean=mean,
                        sigma=sigma,
                        logarithmic=aspect is Aspect.TIME_CONSTANT,
                        source="probe compensation",
                    )
                )
                for aspect, mean, sigma in ((Aspect.COMPENSATION, 0.0, probe.compensation_sigma), second)
            )
            self._errors.append((error, shape, probe.time_constant_s, sign))
        self._skew = parameters.place(
            Parameter(
                owner=sweep.bench,
                aspect=Aspect.SKEW,
                mean=0.0,
                sigma=sweep.channels.skew_sigma_s,
                logarithmic=False,
                source="channel skew",
            )
        )
        self._frequency = parameters.place(
            Parameter(
                owner=sweep.bench,
                aspect=Aspect.FREQUENCY,
                mean=0.0,
                sigma=sweep.channels.frequency_sigma,
                logarithmic=False,
                source="frequency",
            )
        )

    def admittances(self, values: Real, s: Complex) -> tuple[Complex, Complex, Complex, Complex, Complex]:
        """Admittance of every network part and its derivatives by ln value, loss, esr and leak conductance."""
        assert self.network is not None
        shape = (len(self.network.parts), s.size)
        y, by_log, by_loss, by_esr = (np.zeros(shape, dtype=np.complex128) for _ in range(4))
        conductance = np.zeros(shape[0])
        caps = self._rows[PartKind.CAPACITOR]
        if caps.size:
            conductance[caps[:, 0]] = 1.0 / values[caps[:, 4]]
            found = capacitor_admittance(
                s[None, :],
                farad=values[caps[:, 1], None],
                loss=values[caps[:, 2], None],
                esr_ohm=values[caps[:, 3], None],
                leak_siemens=conductance[caps[:, 0], None],
            )
            y[caps[:, 0]], by_log[caps[:, 0]] = found.y, found.by_log_value
            by_loss[caps[:, 0]], by_esr[caps[:, 0]] = found.by_loss, found.by_esr
        resistors = self._rows[PartKind.RESISTOR]
        if resistors.size:
            siemens = 1.0 / values[resistors[:, 1], None]
            y[resistors[:, 0]], by_log[resistors[:, 0]] = siemens, -siemens
        coils = self._rows[PartKind.INDUCTOR]
        if coils.size:
            found = inductor_admittance(
                s[None, :], henry=values[coils[:, 1], None], series_ohm=values[coils[:, 3], None]
            )
            y[coils[:, 0]], by_log[coils[:, 0]] = found.y, found.by_log_value
            by_esr[coils[:, 0]] = found.by_esr
        return y, by_log, by_loss, by_esr, conductance[:, None].astype(np.complex128)

    def parts_at(self, values: Real) -> tuple[tuple[Part, ...], dict[str, float]]:
        """The network's parts at parameters and constants, and every capacitor's fitted tan delta."""
        losses: dict[str, float] = {}
        if self.network is None:
            return (), losses
        parts = list(self.network.parts)
        for kind, rows in self._rows.items():
            for row, value, loss, esr, leak in rows:
                part = replace(parts[row], value=float(values[value]), measured=None, tolerance=None)
                if kind is PartKind.CAPACITOR:
                    leak_ohm = float(values[leak])
                    losses[part.name] = float(values[loss])
                    part = replace(
                        part,
                        loss=max(0.0, losses[part.name]),
                        esr_ohm=float(values[esr]),
                        leak_ohm=leak_ohm if leak_ohm < inf else None,
                    )
                parts[row] = part
        supplies = () if self.sweep.stage is None else self.sweep.stage.parts
        return (*parts, *(p for p in supplies if p.kind is PartKind.SUPPLY)), losses

    def evaluate(self, physical: Real) -> tuple[Real, Real, Complex]:
        """Whitened residual (2 n,), Jacobian (2 n, parameters), modelled ratio (n,)."""
        values = np.concatenate([physical, self.constants])
        s = self.s * (1.0 + physical[self._frequency])
        count = len(physical)
        gradient = np.zeros((count, s.size), dtype=np.complex128)
        if self.network is None:
            transfer = np.ones(s.size, dtype=np.complex128)
            by_log_frequency = np.zeros(s.size, dtype=np.complex128)
        else:
            transfer, by_log_frequency = self._circuit(values, s, gradient)
        channel = physical[self._far_gain] - physical[self._drive_gain] - s * physical[self._skew]
        log_gradient = np.zeros((count, s.size), dtype=np.complex128)
        np.add.at(log_gradient, (self._far_gain, np.arange(s.size)), 1.0)
        np.add.at(log_gradient, (self._drive_gain, np.arange(s.size)), -1.0)
        log_gradient[self._skew] = -s
        frequency = -s * physical[self._skew]
        for error, shape, tau_s, sign in self._errors:
            if self._parameters[shape].aspect is Aspect.TIME_CONSTANT:
                transmitted, by_error, by_log_tau, _ = compensation(s, values[shape], values[error])
                channel = channel + sign * transmitted
                log_gradient[error] += sign * by_error
                log_gradient[shape] += sign * by_log_tau
                frequency = frequency + sign * by_log_tau
                continue
            transmitted, by_error, by_log_tau, mixed = compensation(s, tau_s, values[error])
            channel = channel + sign * (transmitted + values[shape] * mixed)
            log_gradient[error] += sign * by_error
            log_gradient[shape] += sign * mixed
            mixed_by_log_s = mixed * (1.0 - s * tau_s) / (1.0 + s * tau_s)
            frequency = frequency + sign * (by_log_tau + values[shape] * mixed_by_log_s)
        factor = np.exp(channel)
        ratio = transfer * factor
        gradient *= factor
        gradient += ratio * log_gradient
        gradient[self._frequency] = by_log_frequency * factor + ratio * frequency
        if self._sizes.any():
            return *self._by_size(ratio, gradient), ratio
        return self.whitened(ratio - self.measured), self.whitened(gradient).T, ratio

    def _by_size(self, ratio: Complex, gradient: Complex) -> tuple[Real, Real]:
        """Residual and Jacobian where some points have only a size: compared is |ratio|, whatever its phase.

        With u = ratio / |ratio|, d|ratio| is the real part of conj(u) d(ratio), exactly; the rest drops out.
        """
        size = np.abs(ratio)
        back = np.where(self._sizes & (size > 0), np.conj(ratio) / np.where(size > 0, size, 1.0), 1.0)
        difference, slope = ratio * back - self.measured, gradient * back
        difference = np.where(self._sizes, difference.real, difference)
        slope = np.where(self._sizes, slope.real, slope)
        return self.whitened(difference), self.whitened(slope).T

    def _circuit(self, values: Real, s: Complex, gradient: Complex) -> tuple[Complex, Complex]:
        """Transfer and its derivative by ln frequency; fills the gradient of the parts' parameters."""
        assert self.network is not None
        y, by_log, by_loss, by_esr, _ = self.admittances(values, s)
        transfer, by_y = self.network.transfer_with_sensitivity(y, self.far)
        reactive = np.zeros(s.size, dtype=np.complex128)
        count = len(gradient)
        for kind in (PartKind.RESISTOR, PartKind.CAPACITOR, PartKind.INDUCTOR):
            for row, value, loss, esr, leak in self._rows[kind]:
                by_value = by_y[row] * by_log[row]
                gradient[value] += by_value
                if kind is not PartKind.RESISTOR:
                    reactive = reactive + by_value
                for place, slope in ((loss, by_loss), (esr, by_esr)):
                    if place >= 0:
                        scale = values[place] if self._parameters[place].logarithmic else 1.0
                        gradient[place] += by_y[row] * slope[row] * scale
                if leak >= 0:
                    gradient[leak] -= by_y[row] / values[leak]
        assert count == len(self._parameters)
        return transfer, reactive
