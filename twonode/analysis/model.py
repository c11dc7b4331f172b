"""The measured ratios of one or several sweeps as a function of everything that is not exactly known.

Owns the list of parameters with their priors and the whitened residuals with their exact Jacobian. Finds no
minimum and draws no conclusion.

A sweep's ratio is the circuit's transfer, loaded by the far probe, times far over drive channel::

    ratio(f) = H(f) * (g2 Q2(f)) / (g1 Q1(f)) * exp(-j w skew)

with one gain g per channel and range, the probes' compensation Q and one skew. A null run has H = 1. Parameters
that sweeps of one bench share appear once, which is what makes joint estimates and null runs work.

A probe's trimming error e acts at its tip's time constant T, which is itself known to some 10 % only. Near a
corner at T the data see both through the product e * (error of T); fitted as two Gaussians it would make the
posterior a ridge that no local approximation describes. So Q is taken at the nominal T, and the product is a
parameter of its own ("shape") with the product's own standard deviation: the problem stays nearly linear. A null
run is precise enough to see more than the product (an error of 3 % at a time constant 25 % off leaves 4e-4), and it
holds e and T apart; with one among the sweeps, both are parameters and Q is exact.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from enum import Enum
from math import hypot, inf, log

import numpy as np
from numpy.typing import NDArray

from twonode.analysis.channel import PROBE_10, ChannelClass, Probe, compensation, probe_parts
from twonode.analysis.dc_reading import DcReading, DcTerm
from twonode.analysis.errors import AnalysisError
from twonode.analysis.network import Network
from twonode.analysis.network.admittance import capacitor_admittance, inductor_admittance
from twonode.analysis.prior import ESR_SIGMA, family_of, log_prior
from twonode.analysis.ratio import RatioPoint
from twonode.analysis.stage import GROUND, Part, PartKind, Stage

__all__ = ["STRAYED", "Aspect", "Evaluation", "Free", "Model", "Parameter", "Sweep", "UnseenPart"]

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]


STRAYED = 16.0
"""Of a logarithm: a factor of nine million."""


class UnseenPart(AnalysisError):
    """The asked part does not change the ratio between these two nodes."""


class Aspect(Enum):
    """What of its owner a parameter describes."""

    VALUE = "value"
    LOSS = "loss"
    ESR = "esr"
    LEAK = "leak"
    GAIN = "gain"
    COMPENSATION = "compensation"
    SHAPE = "compensation shape"
    TIME_CONSTANT = "time constant"
    SKEW = "skew"
    FREQUENCY = "frequency"


@dataclass(frozen=True, slots=True, kw_only=True)
class Parameter:
    """One unknown with its prior.

    owner : a part's name, or the channel, probe or instrument it belongs to.
    mean, sigma : Gaussian prior of the parameter itself; sigma = inf leaves it to the data.
    logarithmic : the parameter is the natural logarithm of the SI value.
    source : the line of the variance budget it is booked under.
    """

    owner: str
    aspect: Aspect
    mean: float
    sigma: float
    logarithmic: bool
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Free:
    """A request to free one aspect of a part, with a prior on its logarithm (loss may also be linear)."""

    part: str
    aspect: Aspect
    mean: float
    sigma: float = inf
    logarithmic: bool = True


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


@dataclass(frozen=True, slots=True, kw_only=True)
class Evaluation:
    """Residuals at one place in parameter space.

    residual : shape (2 n + r,), whitened data residuals: all sweeps one after the other, then the DC readings. Where a
        point has no phase, its second residual and that one's slopes are zero.
    jacobian : shape (2 n + r, parameters).
    ratio : per sweep, the modelled ratio, shape (n_i,), V/V.
    """

    residual: Real
    jacobian: Real
    ratio: tuple[Complex, ...]


class Model:
    """Residuals of several sweeps over one list of parameters.

    Parameters
    ----------
    sweeps : at least one, with at least one point among them.
    free : aspects of asked parts to estimate; a freed VALUE replaces that part's tolerance prior.
    readings : a meter's DC readings in the same stage.
    """

    def __init__(
        self, sweeps: Iterable[Sweep], free: Iterable[Free] = (), readings: Iterable[DcReading] = ()
    ) -> None:
        self.sweeps = tuple(sweeps)
        self.readings = tuple(readings)
        self._wanted = {(f.part, f.aspect): f for f in free}
        self._places: dict[tuple[str, Aspect], int] = {}
        self._list: list[Parameter] = []
        # The asked parts come first, so that estimates can be read off the front.
        for wanted in self._wanted.values():
            self._place(
                Parameter(
                    owner=wanted.part,
                    aspect=wanted.aspect,
                    mean=wanted.mean,
                    sigma=wanted.sigma,
                    logarithmic=wanted.logarithmic,
                    source=f"{wanted.part} {wanted.aspect.value}",
                )
            )
        self._terms = [_Term(sweep, self) for sweep in self.sweeps]
        self._check_seen()
        leaks = {owner: k for (owner, aspect), k in self._places.items() if aspect is Aspect.LEAK}
        self._dc_terms = [
            DcTerm(reading, value_place=self._part_value, leak_place=leaks) for reading in self.readings
        ]
        self.parameters = tuple(self._list)
        self.mean = np.array([p.mean for p in self.parameters])
        self.sigma = np.array([p.sigma for p in self.parameters])
        self.logarithmic = np.array([p.logarithmic for p in self.parameters], dtype=bool)
        self.points = sum(len(s.points) for s in self.sweeps)
        sizes = sum(p.magnitude_only for s in self.sweeps for p in s.points)
        self.observations = 2 * self.points - sizes + len(self.readings)

    def _check_seen(self) -> None:
        """Raise UnseenPart for an asked part that is in the circuit and that no sweep and no reading shows."""
        read = {p.name for reading in self.readings for p in reading.stage.parts}
        for asked in {name for name, _ in self._wanted} - read:
            hiding = [t for t in self._terms if asked in t.hidden]
            if hiding and not any(asked in t.shown for t in self._terms):
                stage = hiding[0].sweep.stage
                assert stage is not None
                raise UnseenPart(
                    f"{asked} cannot be seen between {stage.drive!r} and {stage.far!r}.",
                    "It only loads the drive node, and the ratio to that node does not change with its load.",
                    "Clip channel 1 to the generator's side of a known resistor that feeds that node.",
                )

    def index(self, owner: str, aspect: Aspect) -> int:
        """Place of a parameter; KeyError where there is none."""
        return self._places[owner, aspect]

    def _place(self, parameter: Parameter) -> int:
        key = (parameter.owner, parameter.aspect)
        if key not in self._places:
            self._places[key] = len(self._list)
            self._list.append(parameter)
        return self._places[key]

    def _part_value(self, part: Part) -> int:
        prior = log_prior(part if part.value > 0 else replace(part, value=-part.value))
        return self._place(
            Parameter(
                owner=part.name,
                aspect=Aspect.VALUE,
                mean=prior.mean,
                sigma=prior.sigma,
                logarithmic=True,
                source=part.name,
            )
        )

    def _dielectric(self, part: Part) -> None:
        """A neighbour's loss, and an electrolytic's ESR, by its family: a film's 0.3 % would show in the phase."""
        if any(owner == part.name for owner, _ in self._wanted):
            return
        family = family_of(part.value)
        self._place(
            Parameter(
                owner=part.name,
                aspect=Aspect.LOSS,
                mean=part.loss or family.loss,
                sigma=family.loss_sigma,
                logarithmic=False,
                source=part.name,
            )
        )
        esr_ohm = part.esr_ohm or family.esr_ohm
        if esr_ohm:
            self._place(
                Parameter(
                    owner=part.name,
                    aspect=Aspect.ESR,
                    mean=log(esr_ohm),
                    sigma=ESR_SIGMA,
                    logarithmic=True,
                    source=part.name,
                )
            )

    def _physical(self, theta: Real) -> Real:
        """SI values of parameters; a search that strays is held at seven decades from where it should be.

        Further off, two admittances at one node differ by more than a float can hold, and nothing can be solved.
        """
        exponent = np.clip(np.where(self.logarithmic, theta, 0.0), self.mean - STRAYED, self.mean + STRAYED)
        return np.where(self.logarithmic, np.exp(exponent), theta)

    def evaluate(self, theta: Real) -> Evaluation:
        """Whitened residuals and Jacobian at theta, shape (parameters,)."""
        physical = self._physical(theta)
        pieces = [term.evaluate(physical) for term in self._terms]
        dc_pieces = [term.evaluate(physical) for term in self._dc_terms]
        return Evaluation(
            residual=np.concatenate([*(p[0] for p in pieces), *(p[0] for p in dc_pieces)]),
            jacobian=np.concatenate([*(p[1] for p in pieces), *(p[1] for p in dc_pieces)]),
            ratio=tuple(piece[2] for piece in pieces),
        )

    def curve(self, theta: Real, sweep: int, frequency_hz: Real) -> Complex:
        """The circuit's ratio over any frequencies, without the channels' errors: what the fit says of the stage."""
        original = self._terms[sweep]
        if original.network is None:
            return np.ones(len(frequency_hz), dtype=np.complex128)
        physical = self._physical(theta)
        values = np.concatenate([physical, original.constants])
        y, *_ = original.admittances(values, 2j * np.pi * np.asarray(frequency_hz, dtype=float))
        return original.network.transfer(y, original.far)

    def fitted_parts(self, theta: Real, sweep: int) -> tuple[tuple[Part, ...], dict[str, float]]:
        """The parts behind `curve` with their values at theta, the far probe's loading among them.

        Parts that the ratio does not show are left out; a null run has none.

        Returns the parts, and the fitted tan delta by name: noise may put it below zero, where no part's can be.
        """
        term = self._terms[sweep]
        return term.parts_at(np.concatenate([self._physical(theta), term.constants]))


class _Term:
    """One sweep's share of the model, with every index looked up once."""

    def __init__(self, sweep: Sweep, model: Model) -> None:
        self.sweep = sweep
        self._model = model
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
            self._lay_out(sweep.stage, model)
        self._channels(sweep, model)

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

    def _loading(self, parts: tuple[Part, Part], model: Model) -> dict[str, int]:
        """Parameter places of the far probe's R and C, by part name."""
        probe = self.sweep.far_probe
        # Wiring belongs to the node, the probe to the bench.
        where = f" at {self.far}" if self.sweep.wiring_sigma_farad > 0 else ""
        return {
            part.name: model._place(
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

    def _lay_out(self, stage: Stage, model: Model) -> None:
        self.far = stage.far
        loading = probe_parts(self.sweep.far_probe, stage.far, "far probe")
        loads = self._loading(loading, model)
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
            value = loads[part.name] if part.name in loads else model._part_value(part)
            if part.kind is PartKind.CAPACITOR and part.name not in loads:
                model._dielectric(part)
            loss = model._places.get((part.name, Aspect.LOSS))
            esr = model._places.get((part.name, Aspect.ESR))
            leak = model._places.get((part.name, Aspect.LEAK))
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

    def _channels(self, sweep: Sweep, model: Model) -> None:
        gains = []
        for channel, ranges in (
            (1, [p.drive_volts_per_div for p in sweep.points]),
            (2, [p.far_volts_per_div for p in sweep.points]),
        ):
            gains.append(
                [
                    model._place(
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
        exact = any(each.stage is None for each in model.sweeps)
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
                model._place(
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
        self._skew = model._place(
            Parameter(
                owner=sweep.bench,
                aspect=Aspect.SKEW,
                mean=0.0,
                sigma=sweep.channels.skew_sigma_s,
                logarithmic=False,
                source="channel skew",
            )
        )
        self._frequency = model._place(
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
            if self._model._list[shape].aspect is Aspect.TIME_CONSTANT:
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
                        scale = values[place] if self._model.logarithmic[place] else 1.0
                        gradient[place] += by_y[row] * slope[row] * scale
                if leak >= 0:
                    gradient[leak] -= by_y[row] / values[leak]
        assert count == len(self._model.parameters)
        return transfer, reactive
