"""How measured numbers are written for people."""

from __future__ import annotations


def number(value: float) -> str:
    """Three figures, without an exponent where that stays readable."""
    if value == 0:
        return "0"
    if abs(value) >= 999.5:  # three figures of more than that are 1,000
        return f"{float(f'{value:.3g}'):,.0f}"
    return f"{value:.3g}" if abs(value) >= 1e-3 else f"{value:.0e}"


def signed(value: float) -> str:
    """The number with its sign."""
    return number(value) if value == 0 or value < 0 else f"+{number(value)}"
