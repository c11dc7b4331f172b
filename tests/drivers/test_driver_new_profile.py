"""What a profile of somebody's own can say: an invented generator with habits of its own, start to finish."""

from twonode.drivers.clock import VirtualClock
from twonode.drivers.generator import Generator
from twonode.drivers.profiles import matching_profiles, parse_profile

INVENTED = r"""
format = 1
kind = "generator"
name = "fernhill-sg"
about = "invented generator of this page"
hardware_status = "untested on hardware"
evidence = "documents read"

load_can_be_set = false
amplitude_means = "50ohm"
frequency_min_hz = 1.0
frequency_max_hz = 1e6
vpp_min = 0.1
vpp_max = 10.0
prepare_vpp = 0.1

[[identity]]
maker = "FERNHILL"
model = 'SG-[23]\d'

[line]
write_end = "\r\n"
read_end = "\r\n"
inter_command_delay_ms = 20

[output_off]
does = "output off"
send = "OUT 0"
ask = "OUT?"
answers = ["0"]

[output_on]
does = "output on"
send = "OUT 1"
ask = "OUT?"
answers = ["1"]

[[prepare]]
does = "sine"
send = "WAVE SINE"
ask = "WAVE?"
answers = ["SINE"]

[[prepare]]
does = "offset 0 V"
send = "OFFS 0"
ask = "OFFS?"
number = 0.0

[frequency]
send = "CF {value}"
ask = "CF?"
form = { scale = 1e-3, decimals = 6 }
reply = { pattern = 'CF=(.*)' }

[amplitude]
send = "LEV {value}"
ask = "LEV?"
form = { scale = 1e3, decimals = 0 }
reply = { scales = [1e3] }
"""
# Millivolts into 50 ohm, kilohertz with six decimals, as its invented guide says.
ANSWERS = {"OUT?": "0", "WAVE?": "SINE", "OFFS?": "0.000V", "LEV?": "1000", "CF?": "CF=1.234500kHz"}


class InventedLink:
    resource = "INVENTED::1"

    def __init__(self):
        self.sent = []

    def write(self, text):
        self.sent.append(text)

    def query(self, text, *, timeout_s=None):
        return ANSWERS[text]


def test_an_instrument_with_units_and_words_of_its_own_needs_a_file_and_no_code():
    profile = parse_profile(INVENTED, where="fernhill.toml")
    assert matching_profiles("Fernhill,SG-21,7,1.0", {"x": profile}) == (profile,)
    link = InventedLink()
    generator = Generator(link, identity="X", profile=profile, clock=VirtualClock())
    assert generator.set_level(2.0) == 2.0
    assert generator.set_frequency(1234.5) == 1234.5
    generator.make_safe()
    assert link.sent == ["LEV 1000", "CF 1.234500", "OUT 0"]
    assert generator.unconfirmed == ()
