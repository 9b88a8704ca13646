"""Evaporation: how fast water leaves a wet face through still air, a tube and its plug.

Floats or numpy arrays alike where a quantity varies with time. SI units; mm where a keeper measures.
Different published diffusivities differ by 4.8 % at 20 °C, so no prediction from geometry is better than about 3 %;
``DIFFUSIVITY_LN_SD`` carries that.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from sensord.air._numbers import Value, any_true, log1p, power
from sensord.air.moist_air import GAS_CONSTANT_VAPOUR, KELVIN, PRESSURE_PA, saturation_pa
from sensord.errors import InputError
from sensord.model import Plug

GAS_CONSTANT = 8.314462618  # J/(mol K), CODATA 2018
MOLAR_MASS_WATER = 0.018015268  # kg/mol, IAPWS
WATER_KG_M3 = 998.2  # at 20 °C
DIFFUSIVITY_LN_SD = 0.03

# Common practice, no published source: test tubes of 16 x 150 mm with about half of it water. Wide spreads on purpose.
USUAL_BORE_MM, USUAL_CHAMBER_MM = 14.0, 65.0
_BORE_LN_SD, _CHAMBER_LN_SD = 0.15, 0.30
_PLUG_PATH_MM: dict[Plug, tuple[float, float]] = {
    # still air as long as the plug resists like, and sd of its logarithm: an engineering estimate (a plug of 10 to 25 mm,
    # 85 to 97 % air, tortuosity 1.1 to 1.5; ants and keepers squeeze it; a lid leaks through a slit or pin holes)
    Plug.OPEN: (4.0, 0.5),
    Plug.COTTON: (25.0, 0.45),
    Plug.FOAM: (25.0, 0.5),
    Plug.LID: (250.0, 1.0),
}
_UNKNOWN_PLUG = (30.0, 0.9)


@dataclass(frozen=True, slots=True)
class Spread:
    """A positive quantity not known exactly: median, and standard deviation of its logarithm."""

    median: float
    ln_sd: float

    def quantile(self, z: float) -> float:
        """The value ``z`` standard deviations of the logarithm above the median."""
        return self.median * math.exp(z * self.ln_sd)


def diffusivity_m2_s(temp_c: Value, pressure_pa: float = PRESSURE_PA) -> Value:
    """Water vapour in air, m²/s: Massman 1998, Atmos. Environ. 32:1111-1127. Valid 0 to 100 °C."""
    return 0.2178e-4 * power((temp_c + KELVIN) / KELVIN, 1.81) * (PRESSURE_PA / pressure_pa)


def diffusivity_marrero_mason_1972_m2_s(temp_c: Value, pressure_pa: float = PRESSURE_PA) -> Value:
    """Marrero & Mason 1972, J. Phys. Chem. Ref. Data 1:3-118, as Massman 1998 reports it."""
    return 0.209e-4 * power((temp_c + KELVIN) / KELVIN, 2.072) * (PRESSURE_PA / pressure_pa)


def diffusivity_hall_pruppacher_1976_m2_s(temp_c: Value, pressure_pa: float = PRESSURE_PA) -> Value:
    """Hall & Pruppacher 1976, J. Atmos. Sci. 33:1995 (from memory)."""
    return 0.211e-4 * power((temp_c + KELVIN) / KELVIN, 1.94) * (PRESSURE_PA / pressure_pa)


def diffusivity_bolz_tuve_1976_m2_s(temp_c: Value, pressure_pa: float = PRESSURE_PA) -> Value:
    """Bolz & Tuve 1976, Handbook of Tables for Applied Engineering Science."""
    kelvin = temp_c + KELVIN
    return (-2.775e-6 + 4.479e-8 * kelvin + 1.656e-10 * kelvin**2) * (PRESSURE_PA / pressure_pa)


def stefan_correction(face_pa: Value, far_pa: Value, pressure_pa: float = PRESSURE_PA) -> Value:
    """How much faster than plain diffusion the vapour leaves since it carries the air along: P / p_BM, about 1.01 to 1.03.

    Raises:
        InputError: a vapour pressure that is not below the total pressure.
    """
    if any_true((face_pa >= pressure_pa) | (far_pa >= pressure_pa)):
        raise InputError(
            f"vapour pressure {face_pa} or {far_pa} Pa: allowed is below the total pressure, {pressure_pa} Pa"
        )
    ratio = (face_pa - far_pa) / (pressure_pa - face_pa) + 1e-14  # the last term only keeps 0/0 away
    return log1p(ratio) / ratio * pressure_pa / (pressure_pa - face_pa)


def stefan_flux_kg_m2_s(
    length_m: float,
    temp_c: Value,
    face_pa: Value,
    far_pa: Value,
    pressure_pa: float = PRESSURE_PA,
    diffusivity: Value | None = None,
) -> Value:
    """Vapour through a still column of air, kg/(m² s): N = D P / (R T z) ln((P - p2) / (P - p1)) times the molar mass.

    Args:
        length_m: from the face to where ``far_pa`` holds, > 0.
        face_pa, far_pa: vapour pressure at either end.
        diffusivity: m²/s; Massman 1998 if not given.

    Source: Geankoplis, Transport Processes and Separation Process Principles, 6.2B.

    Raises:
        InputError: a length that is not above 0, or a vapour pressure not below the total pressure.
    """
    if not length_m > 0:
        raise InputError(f"length {length_m} m: allowed is above 0")
    if diffusivity is None:
        diffusivity = diffusivity_m2_s(temp_c, pressure_pa)
    fick = diffusivity * MOLAR_MASS_WATER * (face_pa - far_pa) / (GAS_CONSTANT * (temp_c + KELVIN) * length_m)
    return fick * stefan_correction(face_pa, far_pa, pressure_pa)


def receded_length_m(start_m: float, flux_times_length_kg_m_s: float, seconds: float, liquid_kg_m3: float) -> float:
    """Air column above a liquid that falls as it evaporates: z² = z0² + 2 (N z) t / rho, the pseudo-steady law.

    Args:
        start_m: air column at the start.
        flux_times_length_kg_m_s: mass flux times the length it was computed for (it does not depend on the length).
        seconds: >= 0. liquid_kg_m3: density of the liquid.

    The wet cotton of a tube does *not* recede: there the length is constant and the water is what changes.
    """
    return math.sqrt(start_m**2 + 2.0 * flux_times_length_kg_m_s * seconds / liquid_kg_m3)


def tube_path_mm(chamber_mm: float | None, plug: Plug | None) -> Spread:
    """Still air that resists as chamber and plug together do, wet cotton face to the room, in mm."""
    chamber, chamber_ln_sd = (USUAL_CHAMBER_MM, _CHAMBER_LN_SD) if chamber_mm is None else (chamber_mm, 0.05)
    plug_path, plug_ln_sd = _UNKNOWN_PLUG if plug is None else _PLUG_PATH_MM[plug]
    total = chamber + plug_path
    return Spread(total, math.hypot(chamber * chamber_ln_sd, plug_path * plug_ln_sd) / total)


def tube_conductance_m3_s(
    bore_mm: float | None, chamber_mm: float | None, plug: Plug | None, temp_c: float = 25.0
) -> Spread:
    """Conductance G = D A / path of a tube from its geometry, m³/s, with an honest spread; None where unknown.

    G scales with temperature as the diffusivity does. Besides the geometry the spread holds what no geometry tells:
    cotton that bulges, ants that stir the air, a plug pulled and put back.

    Raises:
        InputError: a bore or chamber outside 2 to 200 mm or 0 to 1000 mm.
    """
    if bore_mm is not None and not 2 <= bore_mm <= 200:
        raise InputError(f"bore {bore_mm:g} mm: allowed is 2 to 200 mm")
    if chamber_mm is not None and not 0 <= chamber_mm <= 1000:
        raise InputError(f"chamber {chamber_mm:g} mm: allowed is 0 to 1000 mm")
    bore, bore_ln_sd = (USUAL_BORE_MM, _BORE_LN_SD) if bore_mm is None else (bore_mm, 0.02)
    path = tube_path_mm(chamber_mm, plug)
    area_m2 = math.pi / 4.0 * (bore / 1000.0) ** 2
    median = diffusivity_m2_s(temp_c) * area_m2 / (path.median / 1000.0)
    return Spread(median, math.sqrt((2 * bore_ln_sd) ** 2 + path.ln_sd**2 + DIFFUSIVITY_LN_SD**2 + 0.1**2))


def evaporation_kg_s(conductance_m3_s: float, temp_c: Value, activity: float, room_pa: Value) -> Value:
    """Water that leaves a tube, kg/s: G (a e_s - e_r) / (R_v T), with the Stefan correction; negative where it condenses.

    Args:
        conductance_m3_s: G at ``temp_c``.
        temp_c: at the wet face. activity: of the wet face, 1 while the cotton is wet. room_pa: vapour pressure in the room.
    """
    face_pa = activity * saturation_pa(temp_c)
    fick = conductance_m3_s * (face_pa - room_pa) / (GAS_CONSTANT_VAPOUR * (temp_c + KELVIN))
    return fick * stefan_correction(face_pa, room_pa)


def wetness_at(distance_mm: float, path_mm: float) -> float:
    """Wetness (e_p - e_r) / (e_s - e_r) of a probe ``distance_mm`` from a wet face on a path of ``path_mm``: a straight line."""
    return max(0.0, 1.0 - distance_mm / path_mm)


def path_mm_from_wetness(distance_mm: float, wetness: float) -> float:
    """The other way round: the path that a wet tube's baseline tells. Infinite at a wetness of 1."""
    return distance_mm / (1.0 - wetness) if wetness < 1.0 else math.inf
