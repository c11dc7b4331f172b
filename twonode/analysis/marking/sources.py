"""The sources of all rules of marking, in one place, so that they can be checked again.

Owns the names and nothing else. "via" means: a page that quotes the standard was read, not the standard.
"""

from __future__ import annotations

from twonode.analysis.marking.model import Basis, Source

__all__ = [
    "ARMY_SIX_DOT",
    "ARMY_SIX_DOT_TOLERANCE",
    "CAPITALS",
    "CERAMIC_COLOURS",
    "CERAMIC_TC_COLOURS",
    "CM",
    "DATE",
    "EIA_198",
    "FILM_COLOURS",
    "IEC_60384_8",
    "IEC_60384_9",
    "IEC_LETTER",
    "IEC_LETTERS_ABOVE_10PF",
    "IEC_LETTERS_BELOW_10PF",
    "IEC_THREE_DIGIT",
    "IEC_TINY",
    "LETTERS_READ",
    "LETTER_H_25",
    "MIL_MICA_VOLTS",
    "MORE_LETTERS",
    "OLD_MICA",
    "OLD_MICA_SIX",
    "OLD_UNITS",
    "PAPER_COLOURS",
    "PLAIN",
    "RETMA_MICA_CLASS",
    "R_POINT",
    "SAFETY",
    "THOUSANDS",
    "TRADE_UNITS",
    "VOLT_CODE",
    "WRITTEN",
]

# IEC 60062:2016 + A1:2019.
IEC_LETTER = Source(title="IEC 60062", basis=Basis.MEMORY)
IEC_THREE_DIGIT = Source(title="IEC 60062 via component pages (101, 102, 103, 104K, 105K)", basis=Basis.READ)
IEC_TINY = Source(title="trade notes: last digit 8 is x0.01, 9 is x0.1", basis=Basis.MEMORY)
LETTERS_READ = Source(title="tolerance letters via a maker's code page", basis=Basis.READ)
LETTER_H_25 = Source(title="tolerance letters via a second code page", basis=Basis.READ)
IEC_LETTERS_BELOW_10PF = Source(title="IEC 60062, letters below 10 pF", basis=Basis.MEMORY)
IEC_LETTERS_ABOVE_10PF = Source(title="IEC 60062, letters from 10 pF up", basis=Basis.MEMORY)
MORE_LETTERS = Source(title="IEC 60062 and EIA-198, further letters", basis=Basis.MEMORY)
DATE = Source(title="IEC 60062 date code, 20-year cycle", basis=Basis.MEMORY)

WRITTEN = Source(title="the marking itself", basis=Basis.WRITTEN)
OLD_UNITS = Source(title="old trade units: mfd, MF = µF; mmf, mmfd, µµF = pF", basis=Basis.PRACTICE)
TRADE_UNITS = Source(title="continental trade unit: kpF = 1000 pF", basis=Basis.MEMORY)
CM = Source(title="electrostatic unit: 1 cm = 1.11265 pF (4 pi epsilon_0 times 1 cm)", basis=Basis.DERIVED)
PLAIN = Source(title="figures without a unit", basis=Basis.PRACTICE)
R_POINT = Source(title="R as decimal point", basis=Basis.PRACTICE)
CAPITALS = Source(title="IEC 60062 letters printed as capitals", basis=Basis.PRACTICE)
THOUSANDS = Source(title="K for thousand pF on older ceramic parts", basis=Basis.PRACTICE)
VOLT_CODE = Source(title="digit-and-letter voltage code (EIA, JIS)", basis=Basis.MEMORY)
SAFETY = Source(title="IEC 60384-14 classes", basis=Basis.READ)

EIA_198 = Source(title="EIA-198 via component pages", basis=Basis.READ)
IEC_60384_8 = Source(title="IEC 60384-8 two-letter code", basis=Basis.MEMORY)
IEC_60384_9 = Source(title="IEC 60384-9 class 2 code", basis=Basis.MEMORY)

OLD_MICA = Source(title="moulded mica dots via a capacitor code page (vcomp.co.uk)", basis=Basis.READ)
OLD_MICA_SIX = Source(title="old six-dot mica; order of the dots", basis=Basis.MEMORY)
ARMY_SIX_DOT = Source(
    title="JAN/AWS and RETMA six-dot code via US Army OD1647 and AN 16-40BC224-2", basis=Basis.READ
)
ARMY_SIX_DOT_TOLERANCE = Source(
    title="US Army OD1647, worked example (blue printed as 2 %)", basis=Basis.READ
)
RETMA_MICA_CLASS = Source(title="RETMA REC-115A mica classes", basis=Basis.READ)
MIL_MICA_VOLTS = Source(
    title="US Army OD1647: military mica 500 V below 6800 pF, then 300 V", basis=Basis.READ
)
CERAMIC_COLOURS = Source(title="RETMA/EIA ceramic dots and bands", basis=Basis.MEMORY)
CERAMIC_TC_COLOURS = Source(
    title="ceramic temperature colours via a code table (wiktel.com)", basis=Basis.READ
)
PAPER_COLOURS = Source(title="moulded paper bands", basis=Basis.MEMORY)
FILM_COLOURS = Source(title="European film bands", basis=Basis.MEMORY)
