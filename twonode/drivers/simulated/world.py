"""The circuit on the simulated bench over time: what each node does, and what its probe makes of it.

Owns source, circuit, history and the exact solution between two changes. Leaves gain, noise and codes to
`front_end`, and all commands to the instruments.

Between two changes of the generator everything is a sum of exponentials: the steady sine exp(jwt), the
generator's own settling exp((jw - 1/tau) t), the circuit's natural modes, and one more for each probe's
compensation. At a change the storage elements keep what they hold, which gives the new modes' amplitudes;
several changes in quick succession therefore add up as they must. Dielectric loss is in the sines and not
in the modes (see `analysis.network`), which matters to a transient by about tan delta of its size.
"""

from __future__ import annotations

import math
import threading
from bisect import bisect_right
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from twonode.analysis.network import Network, StateSpace
from twonode.analysis.stage import GROUND
from twonode.drivers.clock import Clock
from twonode.drivers.simulated.settings import SimulatedSettings
from twonode.drivers.simulated.truth import GENERATOR_NODE, Truth, draw_truth

__all__ = ["InputPath", "Segment", "World"]

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]

# Terms below this many volts are left out of a trace: a millionth of any step of the converter.
_NEGLIGIBLE_V = 1e-11

# 22 nF into 1 Mohm, as behind a scope's AC switch; a 10:1 probe lowers the corner tenfold (common practice).
_AC_CORNER_HZ = 7.2
_LIMITED_BANDWIDTH_HZ = 20e6

# Settings that stay when the circuit is exchanged.
_OF_THE_BENCH = (
    *("seed", "noise_stream", "imperfection", "noise_lsb", "probe_factor", "line_hz"),
    *("generator_settle_s", "scope_family", "generator_family", "variants", "speed"),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class InputPath:
    """What a channel's input switches do to the signal on its way to the converter."""

    ac_coupled: bool = False
    bandwidth_limited: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Segment:
    """The solution from one change of the source to the next; time counts from start_s.

    angular : 2*pi*f of the sine, 0.0 while the output is off.
    rates, states : shape (k,) and (states, k): state(t) = Re(states @ exp(rates*t)).
    channel_rates, channel_v : shape (2, k+1): volts at the probe tip as the scope gets to see them.
    lag : shape (2, k+1): the same for the inner state of each probe's compensation.
    amplitude_v, phase_rad, envelope_error : of the source at start_s.
    """

    start_s: float
    angular: float
    rates: Complex
    states: Complex
    channel_rates: Complex
    channel_v: Complex
    lag: Complex
    amplitude_v: float
    phase_rad: float
    envelope_error: float

    def state_at(self, elapsed_s: float) -> Real:
        """Node voltages and other states, shape (states,)."""
        state: Real = (self.states @ np.exp(self.rates * elapsed_s)).real
        return state

    def lag_at(self, elapsed_s: float) -> Real:
        """Inner state of each channel's compensation, shape (2,), V."""
        lag: Real = (self.lag * np.exp(self.channel_rates * elapsed_s)).sum(axis=1).real
        return lag

    def bound_v(self, channel: int, elapsed_s: float) -> float:
        """A voltage which the channel (0 or 1) does not exceed from here on, hum and DC left out."""
        weight = np.exp(self.channel_rates[channel].real * elapsed_s)
        return float(np.abs(self.channel_v[channel]) @ weight)


class World:
    """The circuit the simulated instruments are clipped to.

    lock : held by an instrument while it works on the world.
    """

    def __init__(self, settings: SimulatedSettings, clock: Clock) -> None:
        self.clock = clock
        self.lock = threading.RLock()
        self.keep_from_s = 0.0
        self._origin_s = clock.now_s()
        self._frequency_changes = 0
        self._wanted = (1000.0, 0.0)
        self._clip_on(settings)
        self._segments = [self._silence(len(self._modes.rates))]

    def clip(self, settings: SimulatedSettings) -> None:
        """Take both clips and the generator's lead to another circuit, as a hand does between two parts.

        The instruments stay as they are, so the settings must be the first ones but for the circuit and the nodes.

        Raises ValueError where they are another bench's, RuntimeError while the output is on.
        """
        with self.lock:
            if any(getattr(settings, name) != getattr(self.settings, name) for name in _OF_THE_BENCH):
                raise ValueError("these settings are of another bench; only the circuit can be exchanged")
            if self.output_on:
                raise RuntimeError("the output is on; parts are exchanged with the output off")
            self._clip_on(settings)
            silence = self._silence(len(self._modes.rates))
            self._segments = [replace(silence, start_s=self.now_s())]

    def _clip_on(self, settings: SimulatedSettings) -> None:
        self.settings = settings
        self._truth = draw_truth(settings)
        self.probe_nodes = settings.probe_nodes or (settings.stage.drive, settings.stage.far)
        parts = self._truth.circuit(settings.stage.drive, self.probe_nodes, settings.blocking_farad)
        self._network = Network(parts, forced=GENERATOR_NODE)
        self._space = StateSpace(parts, forced=GENERATOR_NODE)
        self._modes = self._space.modes()
        self._to_modes = self._modes.coefficients(np.eye(len(self._space.states)))
        self._channel_row = self._rows(self.probe_nodes)
        probes = self._truth.probes
        self._lag_s = np.array([p.ohm * p.farad * (1 + 0.1 * p.compensation) for p in probes])
        self._through = np.array([(1 + p.compensation) / (1 + 0.1 * p.compensation) for p in probes])
        self._settle_s = settings.generator_settle_s / 7.0
        self._steady_cache: dict[float, Complex] = {}
        self._line, self._dc_v = self._disturbances()

    @property
    def truth(self) -> Truth:
        """The bench's secret. For tests only."""
        return self._truth

    @property
    def output_on(self) -> bool:
        """Whether the generator drives the circuit just now."""
        return self._wanted[1] > 0

    def now_s(self) -> float:
        """Bench seconds since the world began."""
        return self.clock.now_s() - self._origin_s

    def set_source(self, *, frequency_hz: float, amplitude_v: float) -> None:
        """Change the generator from now on.

        frequency_hz : as set (> 0); the world adds the generator's own error. Changes keep the phase.
        amplitude_v : V peak of the source behind its resistance, as set; 0.0 is output off.
        """
        if (frequency_hz, amplitude_v) == self._wanted:
            return
        last = self._segments[-1]
        now = max(self.now_s(), last.start_s)
        elapsed = now - last.start_s
        amplitude = amplitude_v * self._truth.source_gain
        angular = 2 * np.pi * frequency_hz * (1 + self._truth.source_frequency_error)
        decay = math.exp(-elapsed / self._settle_s) if self._settle_s > 0 else 0.0
        if self._settle_s == 0 or amplitude == 0:
            envelope = 0.0
        elif amplitude_v != self._wanted[1]:
            # Output relay or attenuator relays: the amplitude comes up from nothing.
            envelope = -1.0
        else:
            kick = self._truth.kicks[self._frequency_changes % self._truth.kicks.size]
            envelope = last.envelope_error * decay + float(kick)
        self._frequency_changes += frequency_hz != self._wanted[0]
        self._wanted = (frequency_hz, amplitude_v)
        phase = math.fmod(last.phase_rad + last.angular * elapsed, 2 * math.pi)
        self._append(now, elapsed, angular, amplitude, phase, envelope)

    def window(self, from_s: float, until_s: float) -> tuple[Segment, ...]:
        """The segments that cover this span of bench time."""
        starts = [segment.start_s for segment in self._segments]
        first = max(bisect_right(starts, from_s) - 1, 0)
        last = max(bisect_right(starts, until_s), first + 1)
        return tuple(self._segments[first:last])

    def sample(
        self,
        channel: int,
        window: tuple[Segment, ...],
        *,
        start_s: float,
        step_s: float,
        count: int,
        path: InputPath | None = None,
    ) -> Real:
        """Volts at the probe tip of a channel as its probe passes them on.

        Parameters
        ----------
        channel : 0 or 1.
        window : from `window`, covering the span.
        start_s, step_s : bench time of the first sample, and between samples, s.
        path : the input's switches; None is DC-coupled at full bandwidth.

        Returns
        -------
        shape (count,), V.
        """
        path = path or InputPath()
        first_s = start_s + (self._truth.skew_s if channel == 1 else 0.0)
        if len(window) == 1:
            volts = self._piece(channel, window[0], first_s, step_s, count, path)
        else:
            volts = np.empty(count)
            begin = 0
            for place, segment in enumerate(window):
                end = count
                if place + 1 < len(window):
                    edge = (window[place + 1].start_s - first_s) / step_s
                    end = min(max(math.ceil(edge), begin), count)
                if end > begin:
                    piece_s = first_s + begin * step_s
                    volts[begin:end] = self._piece(channel, segment, piece_s, step_s, end - begin, path)
                begin = end
        return volts + self._disturbance(channel, first_s, step_s, count, path)

    def disturbance_bound_v(self, channel: int) -> float:
        """A voltage which hum and DC on a channel together do not exceed."""
        return float(np.abs(self._line[channel]).sum() + abs(self._dc_v[channel]))

    def _rows(self, nodes: tuple[str, str]) -> tuple[int | None, int | None]:
        first, second = (None if n == GROUND else self._network.node_index(n) for n in nodes)
        return first, second

    def _disturbances(self) -> tuple[Complex, Real]:
        """Hum phasors, shape (2, 3), through each compensation, and DC volts, shape (2,)."""
        line = np.zeros((2, 3), dtype=np.complex128)
        dc = np.zeros(2)
        rates = self._line_rates()
        for channel, node in enumerate(self.probe_nodes):
            if node != GROUND:
                line[channel] = self._truth.hum_v[node] * self._compensation(channel, rates)
                dc[channel] = self.settings.residual_dc_v.get(node, 0.0)
        return line, dc

    def _line_rates(self) -> Complex:
        return np.array([2j * np.pi * self._truth.line_hz * order for order in (1, 2, 3)])

    def _compensation(self, channel: int, rates: Complex) -> Complex:
        through = self._through[channel]
        response: Complex = through + (1 - through) * self._lagging(channel, rates)
        return response

    def _lagging(self, channel: int, rates: Complex) -> Complex:
        below = 1 + rates * self._lag_s[channel]
        # A natural mode exactly on the probe's pole would need t*exp(-t/tau); a hair beside it is as good.
        below[np.abs(below) < 1e-7] = 1e-7
        lagging: Complex = 1 / below
        return lagging

    def _silence(self, modes: int) -> Segment:
        states = len(self._space.states)
        return Segment(
            start_s=0.0,
            angular=0.0,
            rates=np.zeros(2 + modes, dtype=np.complex128),
            states=np.zeros((states, 2 + modes), dtype=np.complex128),
            channel_rates=np.zeros((2, 3 + modes), dtype=np.complex128),
            channel_v=np.zeros((2, 3 + modes), dtype=np.complex128),
            lag=np.zeros((2, 3 + modes), dtype=np.complex128),
            amplitude_v=0.0,
            phase_rad=0.0,
            envelope_error=0.0,
        )

    def _steady(self, angular: float) -> Complex:
        """States per volt of the steady sine and of the settling term, shape (states, 2)."""
        found = self._steady_cache.get(angular)
        if found is None:
            settling = -1.0 / self._settle_s if self._settle_s > 0 else 0.0
            rates = np.array([1j * angular, 1j * angular + settling])
            volts = self._network.solve(self._network.admittances(rates))[:, :, 0].T
            found = volts
            if len(self._space.states) > volts.shape[0]:
                found = np.array([self._space.steady(complex(rate)) for rate in rates]).T
                found[: volts.shape[0]] = volts
            if len(self._steady_cache) > 256:
                self._steady_cache.clear()
            self._steady_cache[angular] = found
        return found

    def _append(
        self, now_s: float, elapsed_s: float, angular: float, amplitude: float, phase: float, envelope: float
    ) -> None:
        last = self._segments[-1]
        modes = self._modes
        settling = -1.0 / self._settle_s if self._settle_s > 0 else 0.0
        source = amplitude * np.exp(1j * phase) * np.array([1.0, envelope])
        forced = self._steady(angular) * source
        deviation = last.state_at(elapsed_s) - forced.sum(axis=1).real
        states = np.concatenate([forced, modes.shapes * (self._to_modes @ deviation)], axis=1)
        rates = np.concatenate([[1j * angular, 1j * angular + settling], modes.rates])
        count = rates.size
        channel_rates = np.zeros((2, count + 1), dtype=np.complex128)
        channel_v = np.zeros((2, count + 1), dtype=np.complex128)
        lag = np.zeros((2, count + 1), dtype=np.complex128)
        held = last.lag_at(elapsed_s)
        for channel, row in enumerate(self._channel_row):
            if row is None:
                continue
            lagging = self._lagging(channel, rates)
            through = self._through[channel]
            lag[channel, :count] = states[row] * lagging
            lag[channel, count] = held[channel] - lag[channel, :count].sum().real
            channel_rates[channel, :count] = rates
            channel_rates[channel, count] = -1.0 / self._lag_s[channel]
            channel_v[channel] = (1 - through) * lag[channel]
            channel_v[channel, :count] += through * states[row]
        self._segments.append(
            Segment(
                start_s=now_s,
                angular=angular if amplitude else 0.0,
                rates=rates,
                states=states,
                channel_rates=channel_rates,
                channel_v=channel_v,
                lag=lag,
                amplitude_v=amplitude,
                phase_rad=phase,
                envelope_error=envelope,
            )
        )
        if len(self._segments) > 64:
            needed = min(self.keep_from_s, now_s)
            while len(self._segments) > 32 and self._segments[1].start_s <= needed:
                del self._segments[0]

    def _piece(
        self, channel: int, segment: Segment, first_s: float, step_s: float, count: int, path: InputPath
    ) -> Real:
        # The skew may reach some picoseconds ahead of the change, where fast modes would explode.
        begin_s = max(first_s - segment.start_s, 0.0)
        rates, amplitudes = segment.channel_rates[channel], segment.channel_v[channel]
        if path.ac_coupled or path.bandwidth_limited:
            amplitudes = amplitudes * self._path_response(channel, rates, path)
        volts = np.zeros(count)
        audible = np.abs(amplitudes) * np.exp(rates.real * begin_s) > _NEGLIGIBLE_V
        for rate, amplitude in zip(rates[audible].tolist(), amplitudes[audible].tolist(), strict=True):
            volts += _exponential(rate, amplitude, begin_s, step_s, count)
        return volts

    def _disturbance(
        self, channel: int, first_s: float, step_s: float, count: int, path: InputPath
    ) -> Real | float:
        phasors, dc = self._line[channel], float(self._dc_v[channel])
        if path.ac_coupled:
            rates = self._line_rates()
            phasors, dc = phasors * self._path_response(channel, rates, path), 0.0
        if not phasors.any():
            return dc
        turn = _grid(2j * np.pi * self._truth.line_hz, first_s, step_s, count)
        hum: Real = (turn * (phasors[0] + turn * (phasors[1] + turn * phasors[2]))).real
        return hum + dc

    def _path_response(self, channel: int, rates: Complex, path: InputPath) -> Complex:
        """Response of the input's switches to each exponential, the switches' own transients left out."""
        response = np.ones(rates.shape, dtype=np.complex128)
        turning = rates.imag != 0
        if path.ac_coupled:
            corner = 2 * np.pi * _AC_CORNER_HZ / self._truth.probes[channel].factor
            response[turning] *= rates[turning] / (rates[turning] + corner)
            response[~turning] *= np.abs(rates[~turning]) > corner
        if path.bandwidth_limited:
            response[turning] /= 1 + rates[turning] / (2 * np.pi * _LIMITED_BANDWIDTH_HZ)
        return response


def _grid(rate: complex, first_s: float, step_s: float, count: int) -> Complex:
    """exp(rate*t) on an even grid, as the product of a coarse and a fine one: two short exponentials."""
    fine = max(int(math.sqrt(count)), 1)
    coarse = -(-count // fine)
    rows = np.exp(rate * (first_s + step_s * fine * np.arange(coarse)))
    columns = np.exp(rate * step_s * np.arange(fine))
    grid: Complex = (rows[:, None] * columns).ravel()[:count]
    return grid


def _exponential(rate: complex, amplitude: complex, first_s: float, step_s: float, count: int) -> Real:
    if rate.imag == 0:
        decay: Real = _grid(rate.real + 0j, first_s, step_s, count).real
        return decay * amplitude.real
    turning: Real = (_grid(rate, first_s, step_s, count) * amplitude).real
    return turning
