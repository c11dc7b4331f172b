"""``twonode dc``: a meter's DC readings on a live set, and what they say of a capacitor or of a whole chart.

Owns the command's options and which of its two jobs is meant. It opens a voltmeter at most: never a generator, never
a scope.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from twonode.console.options import (
    FAULT,
    TAG,
    TRUE_VALUE,
    Quantity,
    archive_option,
    check_option,
    common_options,
)

__all__ = ["dc"]

_ROLES = "coupling, tone, anode bypass, screen bypass, cathode bypass, AVC filter, filter"


@click.command(
    epilog="Exit status: 0 done, 1 with --check: not within tolerance, 2 wrong usage, bad file or readings that fit no "
    "leak, 3 the voltmeter failed or the cautions were not acknowledged, 130 interrupted (readings taken are kept)."
)
@click.option("--drive", metavar="VOLTS", help="Drive node as the meter showed it, such as 118V.")
@click.option(
    "--far",
    metavar="VOLTS",
    help="Far node, the part in place. Type every digit shown: 0.42V was read to 10 mV, 0.420V to 1 mV.",
)
@click.option(
    "--far-lifted",
    metavar="VOLTS",
    help="Far node again with the capacitor's far end lifted: what stays is not its leak.",
)
@click.option(
    "--far-valve-out",
    metavar="VOLTS",
    help="Far node again with the next valve out. Parallel heaters only: in a series-heater set it kills them all, "
    "and the rails rise with a valve out.",
)
@click.option(
    "--lifted",
    metavar="VOLTS",
    help="The capacitor's lifted end to ground, its other end still fed; --drive is the node that end hangs on.",
)
@click.option(
    "--grid-leak",
    "--feed",
    "grid_leak",
    metavar="RESISTOR",
    help='Far node to ground ("470k 10%", "482k ± 2k"); for bypasses the resistor that feeds the far node.',
)
@click.option(
    "--drive-source",
    metavar="RESISTOR",
    help="What the drive node's volts come through, such as the anode load: the meter loads that node, too.",
)
@click.option("--bias", "bias_v", type=Quantity("V"), help="What the next grid should have, such as -7V.")
@click.option("--role", metavar="ROLE", help=f"What the part is for: {_ROLES}.  [default: coupling]")
@click.option("--part", metavar="NAME", help="The capacitor, such as C7.")
@click.option(
    "--stage",
    "stage_file",
    type=click.Path(path_type=Path),
    help="Stage file: part, role, nodes, grid leak and anode load are taken from it.",
)
@click.option(
    "--grid-current",
    metavar="AMPERES",
    help="What the next valve's grid may add while no second reading tells: none, or such as 20nA.  [default: half of "
    "the valves, of the order of 5 nA]",
)
@click.option(
    "--limits",
    "limits_file",
    type=click.Path(path_type=Path),
    help="Your own table of limits (TOML) instead of the one that comes with the program.",
)
@click.option("--rated", type=Quantity("V"), help="Electrolytic: rated volts, to judge its leakage current.")
@click.option("--value", "farad", type=Quantity("F"), help="Electrolytic: capacitance, such as 40u.")
@click.option(
    "--formed",
    "forming",
    metavar="TIME",
    help="Electrolytic: how long it has been at --drive, the volts across it, such as 5min or 3h.",
)
@click.option(
    "--current", metavar="AMPERES", help="Electrolytic: its current on a milliammeter, such as 0.6mA."
)
@click.option(
    "--across",
    metavar="VOLTS",
    help="Electrolytic: instead, volts across the series resistor given with --feed.",
)
@click.option(
    "--chart",
    "chart_file",
    type=click.Path(path_type=Path),
    help="Voltage chart (TOML): every node of the book against today's readings.",
)
@click.option(
    "--read",
    "readings",
    metavar="NODE=VOLTS",
    multiple=True,
    help='With --chart: a reading, such as "driver anode=121V". Nodes not given are asked for at a keyboard.',
)
@click.option(
    "--line", "line_v", type=Quantity("V"), help="Mains today as read, such as 123V: charts follow it."
)
@click.option(
    "--minutes-on", type=click.FloatRange(0), help="How long the set has been on; filed with the readings."
)
@click.option(
    "--meter", default="10M", show_default=True, help='The meter\'s input resistance, such as "10M 1%".'
)
@click.option("--meter-accuracy", default="0.5% + 3", show_default=True, help="Share of reading and counts.")
@click.option(
    "--display",
    type=click.IntRange(100),
    default=4000,
    show_default=True,
    help="Counts of its display: steps of 0.1 mV up to 0.4 V for 4000.",
)
@click.option(
    "--voltmeter",
    metavar="RESOURCE",
    help="VISA address of a voltmeter that is read node by node, or `bench` for the one that is remembered.",
)
@click.option(
    "--visa", type=click.Choice(["system", "python"]), help="VISA library.  [default: the system's, if any]"
)
@click.option("--profile", metavar="NAME", help="Command profile, where *IDN? is unknown.")
@click.option(
    "--cautions-acknowledged",
    is_flag=True,
    help="For scripts, with --voltmeter: the cautions are known and kept to.",
)
@click.option(
    "--also",
    type=click.Choice(["far-lifted", "far-valve-out", "lifted"]),
    multiple=True,
    help="With a voltmeter: take this second reading, too; the set is switched off and discharged in between.",
)
@click.option("--simulated", is_flag=True, help="Use a simulated set and voltmeter: no hardware, no danger.")
@click.option("--seed", type=click.IntRange(0), default=1, show_default=True, help="Of the simulated bench.")
@click.option("--speed", type=click.FloatRange(0.01, 100.0), default=1.0, hidden=True)
@click.option(
    "--true", "true", type=TRUE_VALUE, multiple=True, help="True value of a simulated part: R12=510k."
)
@click.option(
    "--fault", "faults", type=FAULT, multiple=True, help="Of a simulated part, such as C7=leaky:80M."
)
@click.option(
    "--tag", "tags", type=TAG, multiple=True, help="Filed with it: set=..., serial=..., operator=..."
)
@archive_option
@click.option("--save/--no-save", default=True, help="File the readings.  [default: file them]")
@check_option
@common_options
def dc(**options: Any) -> int:
    """What a meter's DC readings on a live set say: how much a capacitor leaks, or how a set stands to its chart.

    \b
    Readings typed in (drive node, far node, grid leak):
      twonode dc --drive 118V --far 0.42V --grid-leak "470k 10%" --bias -7V
    A second reading tells the capacitor's leak from the next valve's grid current:
      twonode dc --drive 105V --far 0.62V --far-lifted 0.40V --grid-leak 470k
    The capacitor's far end lifted, the meter on the loose end, which is some 20 times as sensitive:
      twonode dc --drive 105V --lifted 0.35V --grid-leak 470k
    From a voltmeter, one node after the other, and the same without any hardware:
      twonode dc --stage stage.toml --part C7 --voltmeter TCPIP0::192.168.1.22::5025::SOCKET
      twonode dc --simulated --fault C7=leaky:80M
    An electrolytic after forming, its current on a milliammeter (or --across 6V --feed "10k 5%"):
      twonode dc --rated 450V --value 40u --drive 450V --current 0.60mA --formed 5min
    A whole voltage chart, corrected for today's line and both meters' loading:
      twonode dc --chart chart.toml --line 123V --read "driver anode=121V"

    SAFETY: this is work on a live set, and it can kill.

    \b
    - Meter work only: never clip a scope or a generator to a live set; this command opens neither.
    - A transformerless chassis can be at mains potential: isolation transformer for the set alone.
    - Probes rated for the voltage, one hand, never alone. Off and discharged before anything is lifted.
    - Local electrical codes and licensed practice come first; this program permits nothing.

    Parts at the mains are not judged here: only a safety-certified part of the right class goes there. Untested on
    hardware.
    """
    from twonode.console.benches import remembered_voltmeter
    from twonode.console.dc_options import refuse_mixtures

    remembered_voltmeter(options)
    refuse_mixtures(options)
    if options["chart_file"] is not None:
        from twonode.console.dc_chart import run_chart

        return run_chart(options)
    from twonode.console.dc_leak import run_leak

    return run_leak(options)
