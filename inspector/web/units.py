"""Metric and US customary units: conversions by their definitions, so that what is typed is kept as it was meant.

The log, its exports and everything below the pages are metric. Only here, at the edge, is anything converted.
"""

__all__ = [
    "MM_PER_INCH",
    "MPA_PER_PSI",
    "degc_from_degf",
    "degf_from_degc",
    "inches_from_mm",
    "mpa_from_psi",
    "psi_from_mpa",
]

# NIST Special Publication 811 (2008), appendix B.8: 1 in = 25.4 mm exactly, degC = (degF - 32) / 1.8 exactly.
MM_PER_INCH = 25.4
# The pound-force on a square inch, exact by its parts: 1 lb = 0.453 592 37 kg, standard gravity 9.806 65 m/s2. SP 811
# prints 6.894 757 E+03 Pa.
MPA_PER_PSI = 0.45359237 * 9.80665 / 0.0254**2 / 1e6


def inches_from_mm(length_mm: float) -> float:
    """A length in inches."""
    return length_mm / MM_PER_INCH


def degf_from_degc(temperature_degc: float) -> float:
    """A temperature in degrees Fahrenheit."""
    return temperature_degc * 1.8 + 32


def degc_from_degf(temperature_degf: float) -> float:
    """A temperature in degrees Celsius."""
    return (temperature_degf - 32) / 1.8


def psi_from_mpa(strength_mpa: float) -> float:
    """A strength in pounds-force per square inch."""
    return strength_mpa / MPA_PER_PSI


def mpa_from_psi(strength_psi: float) -> float:
    """A strength in megapascal."""
    return strength_psi * MPA_PER_PSI
