"""Moist air: vapour pressures, dew and frost point, absolute humidity, deficit, mixing, and their uncertainty.

Formulas are those of WMO-No. 8 (Guide to Instruments and Methods of Observation, 2008 edition, Annex 4.B) for the
pure phase: the enhancement by air (+0.4 %, far below any probe's error) is left out. The convention is meteorology's:
relative humidity is over liquid water at every temperature, as probes report it, below 0 °C too.

Floats or numpy arrays alike. °C, %, Pa, g/m³. NaN in, NaN out. These functions trust their arguments: the edges check what
enters, and ``insight/history.py`` leaves out what no room can be.
"""

from __future__ import annotations

from collections.abc import Callable

from sensord.air._numbers import Value, exp, log, power
from sensord.errors import InputError

PRESSURE_PA = 101_325.0
GAS_CONSTANT_VAPOUR = 461.523  # J/(kg K), water vapour
KELVIN = 273.15
PROBE_TEMP_SD_C = 0.2  # SHT31, typical accuracy (Sensirion data sheet)
PROBE_RH_SD_PCT = 2.0

_E0_PA = 611.2
_WATER = (17.62, 243.12)
_ICE = (22.46, 272.62)
_VAPOUR_PER_AIR = 0.621945  # ratio of molar masses, ASHRAE Handbook Fundamentals 2017 ch. 1
_HEAT_AIR, _HEAT_VAPOUR, _LATENT = 1_006.0, 1_860.0, 2_501_000.0  # J/(kg K), J/kg: ASHRAE, as above, eqn 30


def saturation_pa(temp_c: Value) -> Value:
    """Saturation vapour pressure over water in Pa, also below 0 °C. Valid -45 to 60 °C, within 0.3 % of IAPWS-95."""
    return _E0_PA * exp(_WATER[0] * temp_c / (_WATER[1] + temp_c))


def saturation_ice_pa(temp_c: Value) -> Value:
    """Saturation vapour pressure over ice in Pa. Valid -65 to 0 °C."""
    return _E0_PA * exp(_ICE[0] * temp_c / (_ICE[1] + temp_c))


def vapour_pa(temp_c: Value, rh_pct: Value) -> Value:
    """Vapour pressure in Pa of air at ``temp_c`` with ``rh_pct`` (over water)."""
    return saturation_pa(temp_c) * rh_pct / 100.0


def rh_pct(temp_c: Value, vapour_pa: Value) -> Value:
    """Relative humidity over water in %, not capped: above 100 means supersaturated, so look at the arguments."""
    return 100.0 * vapour_pa / saturation_pa(temp_c)


def dew_point_c(vapour_pa: Value) -> Value:
    """Dew point over liquid water in °C, also below 0 °C (there frost forms earlier: ``frost_point_c``). NaN at 0 Pa."""
    y = log(vapour_pa / _E0_PA)
    return _WATER[1] * y / (_WATER[0] - y)


def frost_point_c(vapour_pa: Value) -> Value:
    """Frost point over ice in °C. Valid below 611.2 Pa only; above it, use ``dew_point_c``. NaN at 0 Pa."""
    y = log(vapour_pa / _E0_PA)
    return _ICE[1] * y / (_ICE[0] - y)


def absolute_humidity_g_m3(temp_c: Value, vapour_pa: Value) -> Value:
    """Water vapour in a volume of air, g/m³, as an ideal gas."""
    return 1000.0 * vapour_pa / (GAS_CONSTANT_VAPOUR * (temp_c + KELVIN))


def deficit_pa(temp_c: Value, rh_pct: Value) -> Value:
    """Vapour pressure deficit in Pa: what the air could still take up at its own temperature."""
    return saturation_pa(temp_c) * (1.0 - rh_pct / 100.0)


def mixing_ratio(vapour_pa: Value, pressure_pa: float = PRESSURE_PA) -> Value:
    """Vapour to dry air, kg/kg."""
    return _VAPOUR_PER_AIR * vapour_pa / (pressure_pa - vapour_pa)


def mix(
    first: tuple[Value, Value], second: tuple[Value, Value], share: float, pressure_pa: float = PRESSURE_PA
) -> tuple[Value, Value]:
    """Two streams of air mixed without heat from outside: (temp_c, vapour_pa) of the mixture.

    Args:
        first, second: (temp_c, vapour_pa) of each.
        share: of the first in the mixture by mass of dry air, 0 to 1.
        pressure_pa: total pressure.

    Enthalpy and water are conserved (adiabatic mixing, ASHRAE Handbook Fundamentals 2017 ch. 1). The mixture may come out
    above saturation: then mist forms, which is not followed here.

    Raises:
        InputError: the share is outside 0 to 1.
    """
    if not 0.0 <= share <= 1.0:
        raise InputError(f"share {share} of the first stream: allowed is 0 to 1")
    ratio_1, ratio_2 = mixing_ratio(first[1], pressure_pa), mixing_ratio(second[1], pressure_pa)
    ratio = share * ratio_1 + (1.0 - share) * ratio_2
    enthalpy = share * _enthalpy(first[0], ratio_1) + (1.0 - share) * _enthalpy(second[0], ratio_2)
    temp_c = (enthalpy - _LATENT * ratio) / (_HEAT_AIR + _HEAT_VAPOUR * ratio)
    return temp_c, pressure_pa * ratio / (_VAPOUR_PER_AIR + ratio)


def uncertainty(
    result: Callable[[Value, Value], Value],
    temp_c: Value,
    rh_pct: Value,
    temp_sd_c: float = PROBE_TEMP_SD_C,
    rh_sd_pct: float = PROBE_RH_SD_PCT,
) -> Value:
    """Standard deviation of ``result(temp_c, rh_pct)`` from the probe's, in the result's unit.

    First-order propagation (JCGM 100:2008, GUM, 5.1.2), temperature and humidity errors independent, slopes by central
    difference. The typical accuracy of the data sheet is taken as one standard deviation, which is on the careful side.

    >>> round(uncertainty(lambda temp_c, rh: dew_point_c(vapour_pa(temp_c, rh)), 25.0, 60.0), 2)
    0.56
    """
    by_temp = (result(temp_c + 0.01, rh_pct) - result(temp_c - 0.01, rh_pct)) / 0.02
    by_rh = (result(temp_c, rh_pct + 0.01) - result(temp_c, rh_pct - 0.01)) / 0.02
    return power((by_temp * temp_sd_c) ** 2 + (by_rh * rh_sd_pct) ** 2, 0.5)


def _enthalpy(temp_c: Value, ratio: Value) -> Value:
    return _HEAT_AIR * temp_c + ratio * (_LATENT + _HEAT_VAPOUR * temp_c)
