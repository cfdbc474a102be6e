"""A window to start from; tests change what they are about."""

from inspector.workshop import Window

WINDOW = Window(
    mold="heron",
    mix="grey",
    temperature_degc=20.0,
    earliest_h=24.0,
    latest_h=72.0,
    cheapest_h=36.0,
    earliest_fraction=0.35,
    latest_fraction=0.60,
    cheapest_fraction=0.45,
    enough_evidence=True,
    evidence={"pieces": 60},
)
