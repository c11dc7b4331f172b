"""Units and names as the person set them. The old units' meaning: mfd = µF, mmf = pF (trade notes, section 7)."""

import pytest

from twonode.console.page.settings import Naming, PageSettings, Theme, Units, read_settings, write_settings
from twonode.console.page.words import Words

MFD = Words(PageSettings(units=Units.MFD))
PLATE = Words(PageSettings(naming=Naming.PLATE))
PLAIN = Words(PageSettings())


@pytest.mark.parametrize(
    ("said", "old"),
    [
        ("22.0 nF", "0.0220 mfd"),
        ("250 pF", "250 mmf"),
        ("1.00 nF", "0.00100 mfd"),
        ("0.500 nF", "500 mmf"),
        ("25.0 µF", "25.0 mfd"),
        ("21.05 ± 0.05 nF", "0.02105 ± 0.00005 mfd"),
        ("19.8 to 24.2 nF", "0.0198 to 0.0242 mfd"),
        ("expected 22.0 nF ±10 %, 19.8 to 24.2 nF.", "expected 0.0220 mfd ±10 %, 0.0198 to 0.0242 mfd."),
        ("C7 22 nF and C6 220 pF", "C7 0.022 mfd and C6 220 mmf"),
        ("4.7 kΩ, 5.0 V, 100 Hz", "4.7 kΩ, 5.0 V, 100 Hz"),
    ],
)
def test_capacitances_keep_their_digits_in_the_old_units(said, old):
    assert MFD.say(said) == old
    assert PLAIN.say(said) == said


def test_figures_of_one_capacitance():
    assert PLAIN.farad(2.2e-8) == "22.0 nF"
    assert MFD.farad(2.2e-8) == "0.0220 mfd"


def test_names_of_the_other_side_of_the_ocean():
    said = "Channel 1 on driver anode; the valve is cold and HT is off. Anodes, valves."
    assert PLATE.say(said) == "Channel 1 on driver plate; the tube is cold and B+ is off. Plates, tubes."
    assert PLAIN.say(said) == said
    # Where the program itself, or a stage file, uses the other side's word.
    assert (
        PLAIN.say("B+ rises to 300 V; a B+ rail; R9 to the ht")
        == "HT rises to 300 V; an HT rail; R9 to the HT"
    )
    assert PLATE.say("An anode, an HT rail, R9 to the ht") == "A plate, a B+ rail, R9 to the B+"


def test_microfarads_have_their_letter_whatever_was_written():
    assert PLAIN.say("from 0.1 uF on") == "from 0.1 µF on"
    assert MFD.say("from 0.1 uF on") == "from 0.1 mfd on"
    assert PLAIN.say("type 0.1uF or .05uF") == "type 0.1uF or .05uF"


def test_settings_are_remembered(tmp_path, monkeypatch):
    monkeypatch.setenv("TWONODE_PAGE", str(tmp_path / "deep" / "page.json"))
    assert read_settings() == PageSettings()
    chosen = PageSettings(units=Units.MFD, naming=Naming.PLATE, theme=Theme.DARK, sound=False)
    write_settings(chosen)
    assert read_settings() == chosen


@pytest.mark.parametrize("content", ["", "{", '{"units": "furlongs"}', "[]", "\x00" * 20_000])
def test_settings_that_are_not_sound_are_passed_over(tmp_path, monkeypatch, content):
    path = tmp_path / "page.json"
    path.write_text(content)
    monkeypatch.setenv("TWONODE_PAGE", str(path))
    assert read_settings() == PageSettings()
