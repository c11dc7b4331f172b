"""What a recording holds: the words of recording.json and the columns of points.csv.

Owns the names, types and units of both. Format 1 may grow by optional fields; a change of meaning takes a new
format number. Reading and writing are left to the modules beside this one.
"""

from __future__ import annotations

from datetime import datetime
from enum import Enum
from typing import Any

import msgspec

from twonode.analysis.hookup import HookUp
from twonode.recordings.errors import OtherKind
from twonode.recordings.heads import FORMAT, decode_head, encode_head, is_simulated, kind_word, must_be_utc

__all__ = [
    "FORMAT",
    "Conditions",
    "Continues",
    "Ended",
    "Header",
    "Instrument",
    "InstrumentRole",
    "NullUsed",
    "PointRow",
    "PointState",
    "Probe",
    "RecordingKind",
    "TableRow",
    "decode_header",
    "encode_header",
]


class RecordingKind(Enum):
    """What was recorded."""

    SWEEP = "sweep"
    NULL = "null"
    DC = "dc"  # a meter's DC readings: `dcmodel` has its header, the others have `Header`
    POINTS = "points"  # ratios from a table that others made: there are no raw codes

    @property
    def tells_of_a_part(self) -> bool:
        """Whether it holds ratios that a part can be estimated from."""
        return self in (RecordingKind.SWEEP, RecordingKind.POINTS)


class Ended(Enum):
    """How the run came to its end."""

    FINISHED = "finished"
    INTERRUPTED = "interrupted"
    RECOVERED = "recovered"  # killed while running; its finished points were kept and closed later


class PointState(Enum):
    """Whether a point goes into the estimate."""

    USED = "used"
    REFUSED = "refused"


class InstrumentRole(Enum):
    """What an instrument does at the bench."""

    GENERATOR = "generator"
    SCOPE = "scope"
    VOLTMETER = "voltmeter"


class Instrument(msgspec.Struct, frozen=True, kw_only=True):
    """One instrument as it was found and set.

    identity : its reply to *IDN?, unaltered.
    settings : as read back, by name with the unit in the name.
    """

    role: InstrumentRole
    resource: str
    identity: str
    profile: str
    settings: dict[str, str | int | float | bool | None] = {}

    @property
    def is_simulated(self) -> bool:
        """Whether it is one of the simulated bench, inside the program or reached by its address like hardware."""
        return is_simulated(self.identity)


class Probe(msgspec.Struct, frozen=True, kw_only=True):
    """One probe as the model takes it; uncertainties are standard (k = 1).

    factor : 10 for a 10:1 probe.
    resistance_ohm, capacitance_farad : its loading at the tip.
    compensation_standard_uncertainty : relative, of the divider's high-frequency to its low-frequency gain.
    """

    factor: float
    resistance_ohm: float
    resistance_standard_uncertainty_ohm: float
    capacitance_farad: float
    capacitance_standard_uncertainty_farad: float
    compensation_standard_uncertainty: float = 0.0


class Conditions(msgspec.Struct, frozen=True, kw_only=True):
    """Under what conditions the readings were taken.

    level_vpp : generator setting, V peak-to-peak, open circuit; None where readings were imported and nobody knows.
    bias_v : DC across the part, V.
    node_volts : residual DC at drive and far node as the person read them beforehand, V.
    unplugged_and_discharged : the person confirmed it (never needed on the simulated bench).
    seed : of the simulated bench.
    imported : the readings were not taken by this program.
    """

    level_vpp: float | None
    bias_v: float = 0.0
    node_volts: tuple[float, float] | None = None
    unplugged_and_discharged: bool = False
    simulated: bool = False
    seed: int | None = None
    imported: bool = False


class NullUsed(msgspec.Struct, frozen=True, kw_only=True):
    """The null recording that was current: its folder name and the SHA-256 of its manifest."""

    recording: str
    manifest_sha256: str


class Continues(msgspec.Struct, frozen=True, kw_only=True):
    """The interrupted recording that this one goes on with: its first points are that one's, rows and codes alike.

    recording, manifest_sha256 : its folder name and the SHA-256 of its manifest. points : how many were taken over.
    before : folder names of those it had gone on with itself, the latest first.
    """

    recording: str
    manifest_sha256: str
    points: int
    before: tuple[str, ...] = ()


class Header(msgspec.Struct, frozen=True, kw_only=True):
    """All of recording.json.

    created_utc, finished_utc : with time zone; the room has no clock of its own, the caller says.
    hookup : None in a null run made on the generator's lead alone.
    stage : as `twonode.analysis.stage.stage_to_document` wrote it; None in a null run, which has none.
    part : the part asked for; None in a null run.
    drive_probe, far_probe : channel 1 and channel 2.
    gain_standard_uncertainty : relative, of each channel and range, from the class of scope.
    skew_standard_uncertainty_s : between the two channels.
    frequency_standard_uncertainty : relative, of the frequency the generator states.
    expected_farad, expected_tolerance : what the part is held against: F, and fractions below and above; None
        where nothing was said.
    source_ohm : the generator's output resistance.
    tags : set, serial, position and the like.
    null : of a sweep, the null run its channels were compared with.
    plan : how the frequencies were chosen, as the planner states it (JSON values).
    continues : of a sweep that goes on with an interrupted one.
    versions : program and libraries, by name.
    ratio_reading : number of the way in which the ratios were made from the codes (`RATIO_READING`).
    """

    format: int = FORMAT
    kind: RecordingKind = RecordingKind.SWEEP
    title: str
    created_utc: datetime
    finished_utc: datetime | None = None
    ended: Ended | None = None
    operator: str | None = None
    program_version: str
    hookup: HookUp | None = None
    stage: dict[str, Any] | None = None
    part: str | None = None
    instruments: tuple[Instrument, ...] = ()
    conditions: Conditions
    drive_probe: Probe
    far_probe: Probe
    gain_standard_uncertainty: float
    skew_standard_uncertainty_s: float = 0.0
    frequency_standard_uncertainty: float = 2e-5
    expected_farad: float | None = None
    expected_tolerance: tuple[float, float] | None = None
    source_ohm: float | None = None
    null: NullUsed | None = None
    tags: dict[str, str] = {}
    plan: dict[str, Any] = {}
    versions: dict[str, str] = {}
    notes: tuple[str, ...] = ()
    continues: Continues | None = None
    ratio_reading: int = 1


class PointRow(msgspec.Struct, frozen=True, kw_only=True):
    """One row of points.csv; the field names are its column names, in this order.

    point : 1, 2, 3 ... in the order taken; names the array in traces.npz.
    time_s : from the start of the run to the record.
    frequency_set_hz, frequency_hz : asked of the generator and read back from it; as imported, both.
    frequency_fitted_hz : common frequency refined from the record, where the fit used it.
    ratio_re, ratio_im : far / drive, V/V; None only in a refused point.
    var_re, cov_re_im, var_im : covariance of the ratio, (V/V)**2, standard (k = 1).
    drive_vpp, far_vpp : fitted sine, V peak-to-peak at the probe tip.
    drive_volts_per_div, far_volts_per_div : as read back, at the probe tip; None where there are no codes.
    samples : per channel. sample_interval_s : both None where there are no codes.
    averages : records averaged by the scope.
    line_hz, line_harmonics : mains terms fitted beside the signal, with this many harmonics above the first.
    state, reason : whether it is used, and why not.
    repeats : times this frequency had been tried before; repeat_reason : why.
    waited_s : between frequency step and record.
    level_vpp : generator setting, where it changes from point to point.
    drive_residual_v, far_residual_v : rms of what the fit left over.
    drive_dc_v, far_dc_v : fitted DC.
    """

    point: int
    time_s: float
    frequency_set_hz: float
    frequency_hz: float
    frequency_fitted_hz: float | None = None
    ratio_re: float | None = None
    ratio_im: float | None = None
    var_re: float | None = None
    cov_re_im: float | None = None
    var_im: float | None = None
    drive_vpp: float | None = None
    far_vpp: float | None = None
    drive_volts_per_div: float | None = None
    far_volts_per_div: float | None = None
    samples: int | None = None
    sample_interval_s: float | None = None
    averages: int = 1
    line_hz: float | None = None
    line_harmonics: int = 0
    state: PointState = PointState.USED
    reason: str | None = None
    repeats: int = 0
    repeat_reason: str | None = None
    waited_s: float | None = None
    level_vpp: float | None = None
    drive_residual_v: float | None = None
    far_residual_v: float | None = None
    drive_dc_v: float | None = None
    far_dc_v: float | None = None

    @property
    def ratio(self) -> complex | None:
        """far / drive, or None where a refused point has none."""
        if self.ratio_re is None or self.ratio_im is None:
            return None
        return complex(self.ratio_re, self.ratio_im)

    @property
    def ranges_volts_per_div(self) -> tuple[float, float]:
        """Of channel 1 and channel 2, of a point with codes, which always has them."""
        assert self.drive_volts_per_div is not None
        assert self.far_volts_per_div is not None
        return self.drive_volts_per_div, self.far_volts_per_div

    @property
    def codes_per_channel(self) -> int:
        """Samples of a point with codes; 0 where there are none."""
        return self.samples or 0


class TableRow(PointRow, frozen=True, kw_only=True):
    """One row of points.csv in a recording of kind "points"; its further columns come last.

    Of such a row neither time, ranges, samples nor codes are known; time_s is zero.

    line : of the imported file, which lies beside it.
    magnitude : |far / drive|, V/V, where no phase was read; then there is no ratio.
    magnitude_standard_uncertainty : V/V.
    """

    line: int
    magnitude: float | None = None
    magnitude_standard_uncertainty: float | None = None


def encode_header(header: Header) -> bytes:
    """The header as indented JSON with a final newline.

    Raises UnfitRecord where JSON cannot hold it exactly: NaN, infinity, text that is no Unicode.
    """
    return encode_head(header, header.created_utc)


def decode_header(content: bytes, *, where: str) -> Header:
    """recording.json of a sweep or a null run read back; ``where`` names the file in errors.

    Raises DamagedRecording naming the field, NewerFormat where a later program wrote it, OtherKind where it heads
    DC readings.
    """
    if kind_word(content, where=where) == RecordingKind.DC.value:
        raise OtherKind(
            f"{where}: these are DC readings, not a sweep.",
            "A capacitance comes out of a sweep; DC readings tell of leakage and node voltages.",
            "Name a sweep here; `twonode archive show` and `twonode sheet` show DC readings.",
        )
    header = decode_head(content, Header, where=where)
    must_be_utc(header.created_utc, where=where)
    return header
