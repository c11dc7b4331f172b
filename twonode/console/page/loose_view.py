"""A loose part with a known resistor beside it: what is measured, the drawing, START.

Owns the questions; the form around them is `hookup_view`'s.
"""

from __future__ import annotations

from typing import Any

import click

from twonode.console.page import pieces
from twonode.console.page.context import PageContext
from twonode.console.page.hookup_view import NOTHING, Form

__all__ = ["build"]


def build(context: PageContext) -> None:
    """The view."""
    _Loose(context)


class _Loose(Form):
    hookup = "loose"

    def ask(self) -> None:
        practising = self.context.bench.simulated
        usual = {
            "wiring": "series",
            "part": "C1",
            "expect": "22n" if practising else "",
            "tolerance": "10%" if practising else "20%",
            "resistor": "100k" if practising else "",
            "resistor_tolerance": "0.1%" if practising else "1%",
        } | dict(self.form)
        self._wiring = pieces.choice(
            "Hook-up",
            {
                "series": "series: part between the clips",
                "shunt": "shunt: part from channel 2 to ground",
            },
            usual["wiring"],
            on_change=lambda _: self.redraw(),
        )
        with pieces.row("level"):
            self._fields = {
                key: pieces.field(
                    label, usual[key], hint=hint, width="15rem", on_change=lambda _: self.redraw()
                )
                for key, label, hint in (
                    ("part", "Its name", ""),
                    ("expect", "Marked value", "22n, .05, 250 mmf; empty: unknown"),
                    ("tolerance", "Tolerance", "10% or -20/+100%"),
                    ("resistor", "Known resistor", "such as 100k"),
                    ("resistor_tolerance", "How well it is known", "such as 0.1%"),
                )
            }

    def cautions(self) -> tuple[str, ...]:
        from twonode.cautions import LOOSE_PART_CAUTIONS

        # All but the one about an option of the drawer.
        return (*LOOSE_PART_CAUTIONS[:3], LOOSE_PART_CAUTIONS[-1])

    def options(self) -> dict[str, Any]:
        from twonode.analysis.quantities import parse_quantity, parse_tolerance

        fields = self._fields
        if not fields["resistor"].value.strip():
            raise click.UsageError("Say which known resistor is clipped in, such as 100k")

        def quantity(key: str, unit: str) -> float | None:
            return self.parsed(fields[key], lambda text: parse_quantity(text, unit))

        return {
            **NOTHING,
            "hookup": self._wiring.value,
            "part": fields["part"].value.strip() or None,
            "expect": quantity("expect", "F"),
            "tolerance": self.parsed(fields["tolerance"], parse_tolerance),
            "resistor": quantity("resistor", "ohm"),
            "resistor_tolerance": self.parsed(fields["resistor_tolerance"], parse_tolerance),
        }

    def said(self) -> dict[str, Any]:
        return {"wiring": self._wiring.value, **{key: field.value for key, field in self._fields.items()}}
