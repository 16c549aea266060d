"""The quantity that is compared, with the range in which a value is plausible."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Quantity:
    """A measured quantity: its symbol, its unit ("" for a pure number) and its plausible range."""

    key: str
    name: str
    symbol: str
    unit: str
    plausible: tuple[float, float]


# Ranges: friction values of pads in use lie at about 0.20 (deep fade) to 0.55; the range below is wider so
# that only a wrong unit or a fault falls outside. Common practice, no source.
FRICTION = Quantity(key="friction", name="friction", symbol="μ", unit="", plausible=(0.02, 0.95))
BRAKE_FACTOR = Quantity(key="brake factor", name="brake factor", symbol="C*", unit="", plausible=(0.04, 10.0))
TORQUE = Quantity(key="torque", name="brake torque", symbol="T", unit="N m", plausible=(0.0, 2.0e4))
DECELERATION = Quantity(
    key="deceleration", name="deceleration", symbol="d", unit="m/s²", plausible=(0.0, 20.0)
)

KNOWN_QUANTITIES = {quantity.key: quantity for quantity in (FRICTION, BRAKE_FACTOR, TORQUE, DECELERATION)}
