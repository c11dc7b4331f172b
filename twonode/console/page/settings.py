"""How the page speaks and looks, as the person set it: units, names of the trade, light or dark, sounds.

Owns the settings, their file and their place. A file that is not sound is passed over: nothing measured depends on it.
"""

from __future__ import annotations

import logging
import os
from enum import Enum
from pathlib import Path

import msgspec

__all__ = ["SETTINGS_VARIABLE", "Naming", "PageSettings", "Theme", "Units", "read_settings", "write_settings"]

SETTINGS_VARIABLE = "TWONODE_PAGE"
_LARGEST_BYTES = 10_000

log = logging.getLogger("twonode.console")


class Units(Enum):
    """How capacitances are written."""

    SI = "si"
    MFD = "mfd"


class Naming(Enum):
    """Words of either side of the ocean: anode, valve, HT; or plate, tube, B+."""

    ANODE = "anode"
    PLATE = "plate"


class Theme(Enum):
    """Paper and ink."""

    AUTO = "auto"
    LIGHT = "light"
    DARK = "dark"


class PageSettings(msgspec.Struct, frozen=True, kw_only=True):
    """All of them."""

    units: Units = Units.SI
    naming: Naming = Naming.ANODE
    theme: Theme = Theme.AUTO
    sound: bool = True


def settings_path() -> Path:
    """Where they are kept: the settings folder, or the file that TWONODE_PAGE names."""
    named = os.environ.get(SETTINGS_VARIABLE)
    if named:
        return Path(named)
    import platformdirs

    return platformdirs.user_config_path("twonode", appauthor=False) / "page.json"


def read_settings() -> PageSettings:
    """What was set; the usual where nothing was, or the file is not sound."""
    try:
        with settings_path().open("rb") as file:
            return msgspec.json.decode(file.read(_LARGEST_BYTES), type=PageSettings)
    except FileNotFoundError:
        return PageSettings()
    except (OSError, msgspec.DecodeError, UnicodeDecodeError, RecursionError) as exc:
        log.warning("%s is passed over: %s", settings_path(), exc)
        return PageSettings()


def write_settings(settings: PageSettings) -> None:
    """Remember them; where that cannot be done they hold until the server ends."""
    from twonode.recordings.disk import write_whole

    try:
        settings_path().parent.mkdir(parents=True, exist_ok=True)
        write_whole(settings_path(), msgspec.json.format(msgspec.json.encode(settings)) + b"\n")
    except OSError as exc:
        log.warning("%s cannot be written: %s", settings_path(), exc)
